//! The modes that theory expects of a wheel, as text for the terminal.

use crate::record::wheel_modes::WheelModes;
use crate::report::text::TextStyle;
use crate::report::text::lines::{Lines, Paint};
use crate::report::text::words;

/// A table of the modes and what they rest on. Ends with a line break.
pub fn wheel_modes_text(modes: &WheelModes, style: &TextStyle) -> String {
    let mut lines = Lines::new(style);
    lines.item("Wheel", &modes.wheel, Paint::Bold);
    let (low, high) = modes.speed_m_s;
    let speed = if modes.speed_assumed {
        format!(
            "{low:.0} to {high:.0} m/s, as is usual for the bond ({})",
            modes.bond
        )
    } else {
        format!("{low:.0} m/s")
    };
    lines.text(&format!(
        "A flat disc of {} with a speed of sound of {speed} and Poisson's ratio {}:",
        modes.size,
        words::trimmed(modes.poisson, 3)
    ));
    if modes.modes.is_empty() {
        lines.text("No mode of it can be heard: all are above 16 kHz.");
        return lines.finish();
    }
    lines.row(
        &format!(
            "  {:<5} {:>6} {:>17}  {:<5} {}",
            "n, s", "ratio", "frequency", "tones", "pair unseen by turn plan"
        ),
        Paint::Bold,
    );
    for mode in &modes.modes {
        let (low, high) = mode.freq_hz;
        let freq = if modes.speed_assumed {
            format!("{low:.0} to {high:.0} Hz")
        } else {
            format!("{low:.0} Hz")
        };
        let row = format!(
            "  {:<5} {:>6} {:>17}  {:<5} {}",
            format!("{}, {}", mode.n, mode.s),
            words::fixed(mode.ratio, 3),
            freq,
            if mode.is_pair { "2" } else { "1" },
            mode.unseen_by.join(", ")
        );
        lines.row(row.trim_end(), Paint::Plain);
    }
    lines.text(
        "n: nodal diameters, s: nodal circles. Real wheels lie some tenths of a per cent beside \
         the ratios; recesses, tapers and cups are not in them.",
    );
    lines.finish()
}
