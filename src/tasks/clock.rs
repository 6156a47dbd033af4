//! The clock that records are stamped with.

/// The time now, RFC 3339 in UTC to the second.
pub fn now() -> String {
    let now = jiff::Timestamp::now();
    jiff::Timestamp::from_second(now.as_second())
        .unwrap_or(now)
        .to_string()
}

/// True when a time, RFC 3339, lies at most so many seconds back; false for what is no time, and
/// for the future.
pub fn is_within(at: &str, seconds: i64) -> bool {
    let at: Option<jiff::Timestamp> = at.parse().ok();
    let age = at.map(|at| jiff::Timestamp::now().as_second() - at.as_second());
    age.is_some_and(|age| (0..=seconds).contains(&age))
}
