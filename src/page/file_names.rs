//! Names that a browser sends, as names of files.

/// Most letters of a file's name that are kept.
const MOST_LETTERS: usize = 80;

/// What of a name may be the name of a file: letters, digits and a few signs.
pub(super) fn plain_name(name: &str) -> String {
    let last = name.rsplit(['/', '\\']).next().unwrap_or("");
    let plain: String = last
        .chars()
        .map(|c| {
            if c.is_alphanumeric() || "-_. ".contains(c) {
                c
            } else {
                '_'
            }
        })
        .take(MOST_LETTERS)
        .collect();
    let plain = plain.trim().trim_start_matches('.');
    if plain.is_empty() {
        "recording".to_owned()
    } else {
        plain.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_is_only_a_name() {
        for (given, made) in [
            ("../../etc/passwd", "passwd"),
            ("C:\\taps\\monday.wav", "monday.wav"),
            ("..", "recording"),
            ("", "recording"),
            ("a\0b\n.wav", "a_b_.wav"),
            (".hidden", "hidden"),
        ] {
            assert_eq!(plain_name(given), made);
        }
        assert!(plain_name(&"x".repeat(500)).len() <= MOST_LETTERS);
    }
}
