//! Where on the wheel the taps fall.

/// The sequence of tap spots, as angles on the wheel from its own mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub enum TurnPlan {
    /// 45 degrees each side of the vertical centre line, the wheel turned by 45 degrees, again
    /// (29 CFR 1910.215(d)(1)(ii)).
    #[default]
    Rule,
    /// A quarter turn between taps (common practice).
    Quarter,
    /// Four steps of 112.5 degrees, which leave no pair of 2 to 6 nodal diameters unseen.
    Spread,
}

impl TurnPlan {
    /// The plan's name in commands and records.
    pub fn name(self) -> &'static str {
        match self {
            Self::Rule => "rule",
            Self::Quarter => "quarter",
            Self::Spread => "spread",
        }
    }

    /// Tap spots in degrees in the order in which they are struck, 0 to 360.
    pub fn spots_deg(self) -> [f64; 4] {
        match self {
            Self::Rule => [315.0, 45.0, 270.0, 0.0],
            Self::Quarter => [0.0, 90.0, 180.0, 270.0],
            Self::Spread => [0.0, 112.5, 225.0, 337.5],
        }
    }
}
