//! When inspection changes between normal, tightened and reduced: MIL-STD-105E, 4.7 and 4.8.

use crate::quality::sampling::Inspection;

/// A lot that was inspected for the first time (lots that come back do not count).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PastLot {
    /// True when it was accepted.
    pub accepted: bool,
    /// True when it was accepted through the gap of reduced inspection.
    pub in_gap: bool,
}

/// How the next lot is inspected.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// So.
    Inspect(Inspection),
    /// Normal; reduced inspection may be asked for if the other conditions hold: bad wheels of
    /// the last ten samples within the limit number of the standard, steady production.
    ReducedMayBeAsked,
    /// Not at all, until the maker has mended the cause.
    Stop,
}

/// How the next lot is inspected after these, oldest first, the first under normal inspection.
/// `reduced_wanted`: somebody who may decide it found that all conditions of reduced inspection
/// hold whenever ten lots in a row were accepted.
pub fn next_inspection(lots: &[PastLot], reduced_wanted: bool) -> Next {
    let mut now = Inspection::Normal;
    // Lots under the present inspection, and those not accepted while tightened.
    let mut here: Vec<bool> = Vec::new();
    let mut refused = 0;
    for lot in lots {
        here.push(lot.accepted);
        let last = |n: usize| here.iter().rev().take(n);
        let next = match now {
            Inspection::Normal if last(5).filter(|a| !**a).count() >= 2 => Inspection::Tightened,
            Inspection::Normal if reduced_wanted && ten_accepted(&here) => Inspection::Reduced,
            Inspection::Tightened => {
                refused += u32::from(!lot.accepted);
                if refused >= 5 {
                    return Next::Stop;
                }
                if here.len() >= 5 && last(5).all(|a| *a) {
                    Inspection::Normal
                } else {
                    now
                }
            }
            Inspection::Reduced if !lot.accepted || lot.in_gap => Inspection::Normal,
            Inspection::Normal | Inspection::Reduced => now,
        };
        if next != now {
            now = next;
            here.clear();
            refused = 0;
        }
    }
    if now == Inspection::Normal && ten_accepted(&here) {
        return Next::ReducedMayBeAsked;
    }
    Next::Inspect(now)
}

fn ten_accepted(here: &[bool]) -> bool {
    here.len() >= 10 && here.iter().rev().take(10).all(|a| *a)
}

#[cfg(test)]
mod tests {
    use super::*;
    use Inspection::{Normal, Reduced, Tightened};

    /// `+` accepted, `-` not, `g` accepted in the gap.
    fn after(lots: &str, reduced: bool) -> Next {
        let lots: Vec<PastLot> = lots
            .chars()
            .map(|c| PastLot {
                accepted: c != '-',
                in_gap: c == 'g',
            })
            .collect();
        next_inspection(&lots, reduced)
    }

    #[test]
    fn inspection_switches_as_the_standard_says() {
        // MIL-STD-105E, 4.7.1 to 4.8.
        for (lots, reduced, next) in [
            ("", false, Next::Inspect(Normal)),
            ("-", false, Next::Inspect(Normal)),
            ("-+++-", false, Next::Inspect(Tightened)),
            ("-++++-", false, Next::Inspect(Normal)),
            ("--", false, Next::Inspect(Tightened)),
            ("--++++", false, Next::Inspect(Tightened)),
            ("--+++++", false, Next::Inspect(Normal)),
            ("--++++-+++++", false, Next::Inspect(Normal)),
            ("---+-+-+-", false, Next::Inspect(Tightened)),
            ("---+-+-+--", false, Next::Stop),
            ("++++++++++", false, Next::ReducedMayBeAsked),
            ("++++++++++", true, Next::Inspect(Reduced)),
            ("+++++++++++g", true, Next::Inspect(Normal)),
            ("+++++++++++-", true, Next::Inspect(Normal)),
        ] {
            assert_eq!(after(lots, reduced), next, "{lots}");
        }
    }
}
