//! The marking of a bonded wheel, taken apart.
//!
//! The order of the parts is that of ISO 525 (from memory): abrasive, grain size, grade,
//! structure, bond, with the maker's own signs before and after, as in `51 A 36 L 5 V 23`.

/// The parts of a marking.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Marking {
    /// The maker's own sign before the abrasive.
    pub prefix: Option<String>,
    /// Letters of the abrasive: A fused alumina, C silicon carbide and so on.
    pub abrasive: String,
    /// Grain size number: larger is finer.
    pub grain: u32,
    /// Grade, A (soft) to Z (hard).
    pub grade: char,
    /// Structure number: larger is more open.
    pub structure: Option<u32>,
    /// Letters of the bond.
    pub bond: String,
    /// The maker's own sign after the bond.
    pub suffix: Option<String>,
}

/// Bond letters and what they stand for.
const BONDS: [(&str, &str); 8] = [
    ("BF", "resinoid, reinforced"),
    ("B", "resinoid"),
    ("V", "vitrified"),
    ("RF", "rubber, reinforced"),
    ("R", "rubber"),
    ("E", "shellac"),
    ("MG", "magnesia"),
    ("S", "silicate"),
];

impl Marking {
    /// Reads a marking; blanks, hyphens, slashes and dots between its parts may be there or not.
    ///
    /// # Errors
    /// [`MarkingError`] that names the part that could not be found.
    pub fn parse(text: &str) -> Result<Self, MarkingError> {
        let error = |missing: &'static str| MarkingError {
            text: text.escape_debug().to_string(),
            missing,
        };
        let parts = runs(text);
        let is_word = |k: usize| {
            parts
                .get(k)
                .is_some_and(|p| p.starts_with(|c: char| c.is_alphabetic()))
        };
        let number = |k: usize| parts.get(k).and_then(|p| p.parse::<u32>().ok());
        // The abrasive is the first letters that a grain size follows.
        let at = (0..parts.len())
            .find(|k| is_word(*k) && number(k + 1).is_some_and(|n| (4..=2000).contains(&n)))
            .ok_or_else(|| error("an abrasive with a grain size, such as A 36"))?;
        let grade = parts.get(at + 2).filter(|_| is_word(at + 2));
        let grade = grade.ok_or_else(|| error("a grade letter after the grain size"))?;
        let mut letters = grade.chars();
        let (Some(grade), joined) = (letters.next(), letters.as_str()) else {
            return Err(error("a grade letter after the grain size"));
        };
        // Without a structure number the bond may stand right behind the grade: A60KV.
        let (structure, bond_at) = match number(at + 3) {
            Some(n) if joined.is_empty() => (Some(n), at + 4),
            _ => (None, at + 3),
        };
        let bond = if joined.is_empty() {
            let bond = parts.get(bond_at).filter(|_| is_word(bond_at));
            bond.ok_or_else(|| error("the letters of the bond"))?
                .clone()
        } else {
            joined.to_owned()
        };
        if !BONDS.iter().any(|b| b.0 == bond) {
            return Err(error("a bond letter (V, S, B, BF, R, RF, E or MG)"));
        }
        let rest = if joined.is_empty() {
            bond_at + 1
        } else {
            at + 3
        };
        let join = |p: &[String]| (!p.is_empty()).then(|| p.join(" "));
        Ok(Self {
            prefix: join(&parts[..at]),
            abrasive: parts[at].clone(),
            grain: number(at + 1).unwrap_or(0),
            grade,
            structure,
            bond,
            suffix: join(parts.get(rest..).unwrap_or(&[])),
        })
    }

    /// What the bond letters stand for.
    pub fn bond_words(&self) -> &'static str {
        BONDS
            .iter()
            .find(|b| b.0 == self.bond)
            .map_or("unknown", |b| b.1)
    }

    /// The parts in words.
    pub fn words(&self) -> String {
        let structure = self
            .structure
            .map_or(String::new(), |s| format!(", structure {s}"));
        let own: Vec<&str> = [&self.prefix, &self.suffix]
            .into_iter()
            .flatten()
            .map(String::as_str)
            .collect();
        let own = if own.is_empty() {
            String::new()
        } else {
            format!(", maker's own {}", own.join(" and "))
        };
        format!(
            "abrasive {}, grain {}, grade {}{structure}, bond {} ({}){own}",
            self.abrasive,
            self.grain,
            self.grade,
            self.bond,
            self.bond_words()
        )
    }
}

/// Runs of letters and of digits, in capitals.
fn runs(text: &str) -> Vec<String> {
    let mut parts: Vec<String> = Vec::new();
    let mut before: Option<bool> = None;
    for c in text.to_uppercase().chars() {
        let kind = if c.is_ascii_digit() {
            Some(true)
        } else if c.is_alphabetic() {
            Some(false)
        } else {
            None
        };
        match (kind, parts.last_mut()) {
            (Some(_), Some(last)) if kind == before => last.push(c),
            (Some(_), _) => parts.push(c.to_string()),
            (None, _) => {}
        }
        before = kind;
    }
    parts
}

/// A marking that could not be taken apart.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "the marking \"{text}\" cannot be taken apart: {missing} was not found; it reads like 51 A 36 L 5 V 23"
)]
pub struct MarkingError {
    /// What was written, made printable.
    pub text: String,
    /// The part that is missing.
    pub missing: &'static str,
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn markings_are_taken_apart_however_they_are_spaced() {
        // The worked example that is common in handbooks, from memory.
        for text in [
            "51 A 36 L 5 V 23",
            "51A36L5V23",
            "51-a-36-l-5-v-23",
            "51 A/36.L5 V 23",
        ] {
            let m = Marking::parse(text).unwrap();
            assert_eq!(m.prefix.as_deref(), Some("51"), "{text}");
            assert_eq!((m.abrasive.as_str(), m.grain, m.grade), ("A", 36, 'L'));
            assert_eq!((m.structure, m.bond.as_str()), (Some(5), "V"));
            assert_eq!(m.suffix.as_deref(), Some("23"));
            assert_eq!(m.bond_words(), "vitrified");
        }
        let m = Marking::parse("WA60KV").unwrap();
        assert_eq!(
            (m.abrasive.as_str(), m.grain, m.grade, m.bond.as_str()),
            ("WA", 60, 'K', "V")
        );
        assert_eq!((m.structure, m.prefix, m.suffix), (None, None, None));
        let m = Marking::parse("A 30 R BF").unwrap();
        assert_eq!((m.grade, m.bond_words()), ('R', "resinoid, reinforced"));
    }

    #[test]
    fn what_is_no_marking_says_what_is_missing() {
        for (text, missing) in [
            ("", "abrasive"),
            ("hello", "abrasive"),
            ("A36", "grade"),
            ("A 36 L", "bond"),
            ("A 36 L 5 Q", "bond letter"),
        ] {
            let error = Marking::parse(text).unwrap_err().to_string();
            assert!(error.contains(missing), "{text}: {error}");
        }
    }
}
