//! Times of the contract and microseconds.

use std::time::Duration;

use prost_types::Timestamp;
use scantling_core::uncertainty::Day;

/// 0001-01-01 and 9999-12-31, the range of a Timestamp.
const SECONDS: std::ops::RangeInclusive<i64> = -62_135_596_800..=253_402_300_799;

pub(crate) fn timestamp(us: i64) -> Timestamp {
    let nanos = i32::try_from(us.rem_euclid(1_000_000) * 1000).unwrap_or_default();
    Timestamp { seconds: us.div_euclid(1_000_000), nanos }
}

/// Microseconds since 1970-01-01 UTC; `None` outside what a Timestamp may be.
pub(crate) fn microseconds(at: &Timestamp) -> Option<i64> {
    let fits = SECONDS.contains(&at.seconds) && (0..1_000_000_000).contains(&at.nanos);
    fits.then(|| at.seconds * 1_000_000 + i64::from(at.nanos) / 1000)
}

/// The day of UTC; `None` outside of the years 1 to 9999.
pub(crate) fn day(us: i64) -> Option<Day> {
    let at = jiff::Timestamp::from_microsecond(us).ok()?;
    Day::parse(&at.strftime("%Y-%m-%d").to_string())
}

/// `None` for a negative or malformed duration.
pub(crate) fn duration(d: &prost_types::Duration) -> Option<Duration> {
    let nanos = u32::try_from(d.nanos).ok().filter(|n| *n < 1_000_000_000)?;
    Some(Duration::new(u64::try_from(d.seconds).ok()?, nanos))
}

/// The time that is left to a call by its `grpc-timeout`: up to eight digits and a unit.
pub(crate) fn call_timeout(metadata: &tonic::metadata::MetadataMap) -> Option<Duration> {
    let text = metadata.get("grpc-timeout")?.to_str().ok()?;
    let (digits, unit) = text.split_at_checked(text.len().checked_sub(1)?)?;
    if digits.is_empty() || digits.len() > 8 || !digits.bytes().all(|b| b.is_ascii_digit()) {
        return None;
    }
    let n: u64 = digits.parse().ok()?;
    match unit {
        "H" => Some(Duration::from_secs(n * 3600)),
        "M" => Some(Duration::from_secs(n * 60)),
        "S" => Some(Duration::from_secs(n)),
        "m" => Some(Duration::from_millis(n)),
        "u" => Some(Duration::from_micros(n)),
        "n" => Some(Duration::from_nanos(n)),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_is_that_of_utc() {
        // 2000-01-01 is day 10,957 of the epoch.
        let begins = 10_957 * 86_400_000_000;
        assert_eq!(day(begins).map(|d| d.to_string()).as_deref(), Some("2000-01-01"));
        assert_eq!(day(begins - 1).map(|d| d.to_string()).as_deref(), Some("1999-12-31"));
    }

    #[test]
    fn microseconds_survive_both_ways() {
        for us in [0, 1, -1, 1_764_000_000_123_456, -62_135_596_800_000_000] {
            assert_eq!(microseconds(&timestamp(us)), Some(us));
        }
        assert_eq!(microseconds(&Timestamp { seconds: i64::MAX, nanos: 0 }), None);
        assert_eq!(microseconds(&Timestamp { seconds: 0, nanos: -1 }), None);
        assert_eq!(duration(&prost_types::Duration { seconds: -1, nanos: 0 }), None);
    }
}
