//! What the taps say: from measured taps, and a baseline where there is one, to
//! a reading of each tap and an outcome for the wheel.

pub mod baseline;
pub mod compare;
pub mod ear_score;
pub mod fit_rules;
pub mod intervals;
pub mod limits;
pub mod matching;
pub mod outcome;
pub mod rule;
pub mod staircase;
pub mod tap_pattern;
pub mod tolerance;
pub mod turn_plan;

/// What a tap reads as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Reading {
    /// Rings as it should, as far as can be told on its footing.
    ClearRing,
    /// Cannot be told; the reasons say why.
    Unclear,
    /// Dead, or clearly not as it should be.
    DullThud,
}

impl Reading {
    /// The words for people and records.
    pub fn words(self) -> &'static str {
        match self {
            Self::ClearRing => "clear ring",
            Self::Unclear => "unclear",
            Self::DullThud => "dull thud",
        }
    }
}

/// How much a bond damps, which decides what scatter from day to day is to be expected.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Damping {
    /// Vitrified, silicate and metal bonds; also an unknown bond, whose limits are then the
    /// narrower ones.
    Low,
    /// Organic bonds: resinoid, rubber, shellac.
    High,
}

/// What the person's ear said of a tap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Heard {
    /// It rang.
    Ring,
    /// It sounded dead. Final: no reading turns it back.
    Thud,
    /// The ear was not sure.
    Unsure,
}

impl Heard {
    /// The word for people and records.
    pub fn word(self) -> &'static str {
        match self {
            Self::Ring => "ring",
            Self::Thud => "thud",
            Self::Unsure => "unsure",
        }
    }

    /// From the word in a record; none for another word.
    pub fn parse(word: &str) -> Option<Self> {
        [Self::Ring, Self::Thud, Self::Unsure]
            .into_iter()
            .find(|h| h.word() == word)
    }
}

/// What a reading stands on, best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Footing {
    /// Earlier soundings of this wheel.
    OwnBaseline,
    /// Wheels of the same specification.
    SpecificationBaseline,
    /// Other wheels of its lot, read in the same run.
    LotPeers,
    /// Nothing to compare with.
    PhysicsOnly,
}

impl Footing {
    /// The words for people and records.
    pub fn words(self) -> &'static str {
        match self {
            Self::OwnBaseline => "own baseline",
            Self::SpecificationBaseline => "specification baseline",
            Self::LotPeers => "lot peers",
            Self::PhysicsOnly => "physics only",
        }
    }
}

/// The outcome of a sounding, worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Outcome {
    /// A heard thud or a dull thud.
    SoundsDead,
    /// Something is missing or unclear.
    SoundItAgain,
    /// Rings at every spot, with nothing to compare with.
    RingsNotCompared,
    /// A full turn plan of clear rings against a baseline.
    RingsClear,
}

impl Outcome {
    /// The words for people and records.
    pub fn words(self) -> &'static str {
        match self {
            Self::SoundsDead => "sounds dead",
            Self::SoundItAgain => "sound it again",
            Self::RingsNotCompared => "rings, not compared",
            Self::RingsClear => "rings clear",
        }
    }
}

/// One figure that led to a reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// What it is, for example `ring fraction` or `common shift`.
    pub figure: &'static str,
    /// Its value.
    pub value: f64,
    /// Unit of value and limit, empty for pure numbers.
    pub unit: &'static str,
    /// The limit it was held against, none for a figure that is only shown.
    pub limit: Option<f64>,
    /// True when the value must not be above the limit, false when it must not be below.
    pub limit_is_upper: bool,
    /// Where the limit comes from, in words.
    pub limit_from: String,
    /// What it was held against in words, for example `own baseline, 4 soundings`.
    pub against: Option<String>,
    /// What it speaks for on its own.
    pub speaks_for: Option<Reading>,
}

/// The judgement of one tap.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The reading.
    pub reading: Reading,
    /// Sentences with figures, most important first; never empty.
    pub reasons: Vec<String>,
    /// The figures behind it.
    pub evidence: Vec<Evidence>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_heard_comes_back_from_its_word() {
        for heard in [Heard::Ring, Heard::Thud, Heard::Unsure] {
            assert_eq!(Heard::parse(heard.word()), Some(heard));
        }
        for word in ["", "Ring", "ring ", "thuds", "clear ring"] {
            assert_eq!(Heard::parse(word), None, "{word}");
        }
    }

    // Records of earlier versions hold these words.
    #[test]
    fn words_of_records_stay() {
        let heard = [Heard::Ring, Heard::Thud, Heard::Unsure].map(Heard::word);
        assert_eq!(heard, ["ring", "thud", "unsure"]);
        use Reading::{ClearRing, DullThud, Unclear};
        let readings = [ClearRing, Unclear, DullThud].map(Reading::words);
        assert_eq!(readings, ["clear ring", "unclear", "dull thud"]);
        let footings = [
            Footing::OwnBaseline,
            Footing::SpecificationBaseline,
            Footing::LotPeers,
            Footing::PhysicsOnly,
        ];
        assert_eq!(
            footings.map(Footing::words),
            [
                "own baseline",
                "specification baseline",
                "lot peers",
                "physics only"
            ]
        );
        let outcomes = [
            Outcome::SoundsDead,
            Outcome::SoundItAgain,
            Outcome::RingsNotCompared,
            Outcome::RingsClear,
        ];
        assert_eq!(
            outcomes.map(Outcome::words),
            [
                "sounds dead",
                "sound it again",
                "rings, not compared",
                "rings clear"
            ]
        );
    }

    // "Worst wins" is taken by these orders.
    #[test]
    fn the_worst_reading_is_the_largest_and_the_worst_outcome_the_smallest() {
        assert!(Reading::ClearRing < Reading::Unclear && Reading::Unclear < Reading::DullThud);
        assert!(Outcome::SoundsDead < Outcome::SoundItAgain);
        assert!(Outcome::SoundItAgain < Outcome::RingsNotCompared);
        assert!(Outcome::RingsNotCompared < Outcome::RingsClear);
        assert!(Footing::OwnBaseline < Footing::SpecificationBaseline);
        assert!(Footing::LotPeers < Footing::PhysicsOnly);
    }
}
