//! A SHA-256 as people write it.

use std::fmt;

use sha2::{Digest as _, Sha256};

/// 64 lower-case hexadecimal digits, by construction.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Digest(String);

impl Digest {
    /// `None` unless `hex` is 64 lower-case hexadecimal digits.
    pub fn parse(hex: &str) -> Option<Self> {
        let fits = hex.len() == 64 && hex.bytes().all(|b| matches!(b, b'0'..=b'9' | b'a'..=b'f'));
        fits.then(|| Self(hex.to_owned()))
    }

    /// The digest of some bytes.
    pub fn of(bytes: &[u8]) -> Self {
        Self::from_hasher(Sha256::new_with_prefix(bytes))
    }

    pub(crate) fn from_hasher(hasher: Sha256) -> Self {
        Self(hasher.finalize().iter().map(|b| format!("{b:02x}")).collect())
    }

    /// The digits.
    pub fn hex(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_64_lower_case_digits_are_a_digest() {
        // FIPS 180-4, examples: SHA-256 of "abc".
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(Digest::of(b"abc").hex(), abc);
        assert!(Digest::parse(abc).is_some());
        for wrong in
            ["", "../../etc/passwd", &abc[1..], &abc.to_uppercase(), &format!("{abc}0"), &"g".repeat(64)]
        {
            assert!(Digest::parse(wrong).is_none(), "{wrong}");
        }
    }
}
