//! A day of the calendar, as validity is stated.

use std::fmt;

/// A day: core knows no clock, so days come as text and are only compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Day {
    year: u16,
    month: u8,
    day: u8,
}

impl Day {
    /// Reads `2026-02-28`; `None` for what is no day of the Gregorian calendar in the years 1 to 9999.
    pub fn parse(text: &str) -> Option<Self> {
        let (year, rest) = text.split_once('-')?;
        let (month, day) = rest.split_once('-')?;
        let digits = |t: &str, n: usize| t.len() == n && t.bytes().all(|b| b.is_ascii_digit());
        if !(digits(year, 4) && digits(month, 2) && digits(day, 2)) {
            return None;
        }
        let found = Self { year: year.parse().ok()?, month: month.parse().ok()?, day: day.parse().ok()? };
        let leap =
            found.year.is_multiple_of(4) && !found.year.is_multiple_of(100) || found.year.is_multiple_of(400);
        let days = match found.month {
            2 => 28 + u8::from(leap),
            4 | 6 | 9 | 11 => 30,
            1..=12 => 31,
            _ => return None,
        };
        (found.year > 0 && (1..=days).contains(&found.day)).then_some(found)
    }
}

impl fmt::Display for Day {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_read_compared_and_written() {
        let day = |t: &str| Day::parse(t).unwrap();
        assert!(day("2025-12-31") < day("2026-01-01") && day("2026-01-31") < day("2026-02-01"));
        assert_eq!(day("2024-02-29").to_string(), "2024-02-29");
        for wrong in [
            "2023-02-29",
            "1900-02-29",
            "2026-13-01",
            "2026-00-10",
            "2026-04-31",
            "0000-01-01",
            "2026-1-01",
            "26-01-01",
            "2026-01-01T00",
            "",
        ] {
            assert_eq!(Day::parse(wrong), None, "{wrong}");
        }
        assert!(Day::parse("2000-02-29").is_some());
    }
}
