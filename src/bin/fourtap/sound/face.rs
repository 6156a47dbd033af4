//! The screen of a live sounding as lines of text: readable at a metre, at 80 columns, without
//! colour.

use fourtap::reading::turn_plan::TurnPlan;
use fourtap::reading::{Heard, Reading};
use fourtap::tasks::take_sounding::{instruction, turned_deg};

/// Rows and columns of the picture of the wheel.
const ROWS: usize = 13;
const COLUMNS: usize = 34;
/// Range of the level meter in dB of full scale.
const LOWEST_DB: f64 = -80.0;
/// Width of the meter.
const METER: usize = 48;

/// What is known of a spot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SpotView {
    /// Angle from the wheel's mark in degrees, clockwise.
    pub deg: f64,
    /// What the ear said and, once it has spoken, the reading; none when it was not struck yet.
    pub struck: Option<(Option<Heard>, Option<Reading>)>,
}

/// All that is on the screen.
#[derive(Debug, Clone, PartialEq)]
pub struct View<'a> {
    /// Id of the wheel.
    pub wheel: Option<&'a str>,
    /// Where the sound comes from.
    pub source: &'a str,
    /// The turn plan.
    pub plan: TurnPlan,
    /// Its spots.
    pub spots: &'a [SpotView],
    /// The spot to strike next.
    pub next: Option<usize>,
    /// The spot whose tap waits for the ear's word.
    pub asking: Option<usize>,
    /// Largest sample just now and of the last seconds, in dB of full scale.
    pub level_db: (f64, f64),
    /// What is going on, if it is not the taking of taps.
    pub state: Option<&'a str>,
    /// What was said last, oldest first.
    pub said: &'a [String],
}

/// The screen, at most `columns` wide and `rows` high.
pub fn screen(view: &View<'_>, columns: usize, rows: usize) -> Vec<String> {
    let wheel = view.wheel.map_or(String::new(), |w| format!("wheel {w}, "));
    let mut lines = vec![
        format!("fourtap sound   {wheel}{}", view.source),
        meter(view.level_db),
        String::new(),
    ];
    let beside = orders(view);
    for (k, row) in picture(view).into_iter().enumerate() {
        lines.push(format!(
            "{row}   {}",
            beside.get(k).map_or("", String::as_str)
        ));
    }
    lines.push(String::new());
    let keys = "r rang  t thud  u unsure  x again  n no tap  p pause  q stop";
    // The newest of what was said, as much as there is room for.
    let room = rows.saturating_sub(lines.len() + 2);
    let said: Vec<String> = view.said.iter().flat_map(|s| wrap(s, columns)).collect();
    lines.extend(said[said.len().saturating_sub(room)..].iter().cloned());
    lines.truncate(rows.saturating_sub(1));
    lines.push(keys.to_owned());
    let cut = |l: String| l.chars().take(columns).collect::<String>();
    lines
        .into_iter()
        .map(|l| cut(l).trim_end().to_owned())
        .collect()
}

/// The level with the largest of the last seconds held.
pub fn meter((now_db, held_db): (f64, f64)) -> String {
    let place = |db: f64| {
        let share = (db - LOWEST_DB) / -LOWEST_DB;
        (share.clamp(0.0, 1.0) * (METER - 1) as f64).round() as usize
    };
    let (now, held) = (place(now_db), place(held_db));
    let bar: String = (0..METER)
        .map(|k| match k {
            k if k == held && held_db > LOWEST_DB => '|',
            k if k < now => '=',
            _ => ' ',
        })
        .collect();
    let words = if held_db > -0.1 {
        "TOO LOUD".to_owned()
    } else if held_db.is_finite() {
        format!("{held_db:.0} dB")
    } else {
        "zero".to_owned()
    };
    format!("level [{bar}] {words}")
}

/// The column beside the wheel.
fn orders(view: &View<'_>) -> Vec<String> {
    let many = view.spots.len();
    let mut lines = vec![String::new()];
    if let Some(state) = view.state {
        lines.extend(wrap(&state.to_uppercase(), 40));
    } else if let Some(spot) = view.asking {
        lines.push(format!("WHAT DID YOU HEAR AT SPOT {}?", spot + 1));
        lines.push(String::new());
        lines.push("r = IT RANG".to_owned());
        lines.push("t = A THUD".to_owned());
        lines.push("u = NOT SURE".to_owned());
    } else if let Some(spot) = view.next {
        lines.push(format!("TAP SPOT {} OF {many}", spot + 1));
        lines.push(String::new());
        lines.extend(wrap(
            &instruction(view.plan, spot, view.spots[spot].deg),
            40,
        ));
    } else {
        lines.push("ALL SPOTS ARE STRUCK".to_owned());
    }
    lines.push(String::new());
    for (k, spot) in view.spots.iter().enumerate() {
        let words = match spot.struck {
            None => continue,
            Some((None, _)) => "waits for your ear".to_owned(),
            Some((Some(h), None)) => format!("you heard: {}", h.word()),
            Some((Some(h), Some(r))) => format!("you heard: {}; reads: {}", h.word(), r.words()),
        };
        lines.push(format!("{}  {words}", k + 1));
    }
    lines
}

/// The wheel's face as it stands before the person: the rim, its mark M, and the tap spots: `[2]`
/// the next one, ` 3 ` a later one, `(1)` struck, `O1` `X1` `?1` read.
fn picture(view: &View<'_>) -> Vec<String> {
    let mut grid = vec![vec![' '; COLUMNS]; ROWS];
    let (middle_x, middle_y) = ((COLUMNS / 2) as f64, (ROWS / 2) as f64);
    let mut put = |deg: f64, radius: f64, text: &str| {
        let angle = deg.to_radians();
        let x = middle_x + 2.2 * radius * angle.sin();
        let y = middle_y - radius * angle.cos();
        let start = (x.round() as usize).saturating_sub(text.chars().count() / 2);
        for (k, c) in text.chars().enumerate() {
            let row = grid.get_mut(y.round() as usize);
            if let Some(cell) = row.and_then(|r| r.get_mut(start + k)) {
                *cell = c;
            }
        }
    };
    for step in 0..72 {
        put(f64::from(step) * 5.0, 5.6, ".");
    }
    put(0.0, 0.0, "( )");
    let at = view.asking.or(view.next).unwrap_or(0);
    let turned_deg = turned_deg(view.plan, at);
    put(turned_deg, 4.4, "M");
    for (k, spot) in view.spots.iter().enumerate() {
        let n = k + 1;
        let text = match spot.struck {
            _ if view.state.is_none() && view.asking.is_none() && view.next == Some(k) => {
                format!("[{n}]")
            }
            None => format!(" {n} "),
            Some((_, Some(Reading::ClearRing))) => format!("O{n}"),
            Some((_, Some(Reading::DullThud))) => format!("X{n}"),
            Some((_, Some(Reading::Unclear))) => format!("?{n}"),
            Some((_, None)) => format!("({n})"),
        };
        put(spot.deg + turned_deg, 5.6, &text);
    }
    grid.into_iter()
        .map(|row| row.into_iter().collect())
        .collect()
}

/// Words broken at blanks.
fn wrap(words: &str, columns: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in words.split_whitespace() {
        let last = lines.len() - 1;
        let free = lines[last].is_empty();
        if !free && lines[last].chars().count() + 1 + word.chars().count() > columns {
            lines.push(word.to_owned());
        } else {
            if !free {
                lines[last].push(' ');
            }
            lines[last].push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view<'a>(spots: &'a [SpotView], next: Option<usize>, said: &'a [String]) -> View<'a> {
        View {
            wheel: Some("W-104"),
            source: "a microphone with a name that is far longer than any screen is wide, as some are",
            plan: TurnPlan::Rule,
            spots,
            next,
            asking: None,
            level_db: (-20.0, -12.0),
            state: None,
            said,
        }
    }

    fn spots(struck: [Option<(Option<Heard>, Option<Reading>)>; 4]) -> Vec<SpotView> {
        let deg = TurnPlan::Rule.spots_deg();
        let spot = |(k, struck): (usize, _)| SpotView {
            deg: deg[k],
            struck,
        };
        struck.into_iter().enumerate().map(spot).collect()
    }

    #[test]
    fn the_screen_fits_and_names_the_next_spot() {
        let ring = Some((Some(Heard::Ring), Some(Reading::ClearRing)));
        let said: Vec<String> = (0..40)
            .map(|k| format!("sentence {k} {}", "w ".repeat(60)))
            .collect();
        for (columns, rows) in [(80, 24), (60, 20), (132, 50)] {
            let spots = spots([ring, None, None, None]);
            let lines = screen(&view(&spots, Some(1), &said), columns, rows);
            assert!(lines.len() <= rows, "{rows}");
            assert!(
                lines.iter().all(|l| l.chars().count() <= columns),
                "{lines:?}"
            );
            let all = lines.join("\n");
            assert!(
                all.contains("TAP SPOT 2 OF 4") && all.contains("[2]"),
                "{all}"
            );
            assert!(all.contains("O1") && all.contains("q stop"), "{all}");
        }
    }

    #[test]
    fn the_picture_turns_with_the_wheel() {
        let place = |next: usize, what: &str| {
            let spots = spots([None; 4]);
            let rows = picture(&view(&spots, Some(next), &[]));
            let found = rows
                .iter()
                .enumerate()
                .find_map(|(y, r)| Some((r.find(what)?, y)));
            found.map(|(x, y)| (x as i64 - (COLUMNS / 2) as i64, y))
        };
        // By the rule both third and first tap lie left above, the others right above.
        for next in [0, 2] {
            let at = place(next, &format!("[{}]", next + 1));
            assert!(at.is_some_and(|(x, y)| x < -5 && y < ROWS / 2), "{at:?}");
        }
        for next in [1, 3] {
            let at = place(next, &format!("[{}]", next + 1));
            assert!(at.is_some_and(|(x, y)| x > 3 && y < ROWS / 2), "{at:?}");
        }
        assert!(place(0, "M").is_some_and(|(x, _)| x.abs() <= 1));
        assert!(place(3, "M").is_some_and(|(x, _)| x > 3));
    }

    #[test]
    fn the_meter_holds_the_peak_and_tells_the_rail() {
        let m = meter((-40.0, -20.0));
        assert_eq!(m.matches('=').count(), 24, "{m}");
        assert!(m.find('|') > m.rfind('='), "{m}");
        assert!(meter((-3.0, 0.0)).contains("TOO LOUD"));
        assert!(meter((f64::NEG_INFINITY, f64::NEG_INFINITY)).contains("zero"));
    }
}
