//! What is written on a wheel: marking, size, speed, mass, temperature, months.
#![no_main]

use fourtap::record::wheel::label::month_of;
use fourtap::record::wheel::marking::Marking;
use fourtap::record::wheel::{Measure, Size, Speed, check_id};
use fourtap::units::{parse_mass_kg, parse_temp_c};

libfuzzer_sys::fuzz_target!(|text: &str| {
    if let Ok(marking) = Marking::parse(text) {
        let _ = marking.words();
    }
    if let Ok(size) = Size::parse(text) {
        let all = [size.diameter_mm(), size.thickness_mm(), size.hole_mm()];
        // A hole of 0 is a disc without one.
        assert!(all[..2].iter().all(|v| v.is_finite() && *v > 0.0), "{all:?}");
        assert!(all[2].is_finite() && all[2] >= 0.0, "{all:?}");
        assert_eq!(Size::parse(size.written()).ok(), Some(size));
    }
    if let Ok(speed) = Speed::parse(text) {
        assert!(speed.rpm(200.0).is_finite() && speed.rpm(200.0) > 0.0);
    }
    if let Ok(measure) = Measure::parse(text) {
        assert!(measure.mm().is_finite());
    }
    if let Ok(mass) = parse_mass_kg(text) {
        assert!(mass.is_finite() && mass > 0.0);
    }
    if let Ok(temp) = parse_temp_c(text) {
        assert!(temp.is_finite());
    }
    let _ = (month_of(text), check_id(text));
});
