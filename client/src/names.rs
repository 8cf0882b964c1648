//! Resource names, written in full or as people type them.

use crate::exit::Exit;

/// `ws-214` or `parts/ws-214` as `parts/ws-214`.
pub(crate) fn part(typed: &str) -> anyhow::Result<String> {
    match typed.strip_prefix("parts/").unwrap_or(typed) {
        id if is_id(id) => Ok(format!("parts/{id}")),
        _ => Err(Exit::Usage
            .because(format!("\"{typed}\" is no name of a part; write ws-214 or parts/ws-214 ({ID_RULE})"))),
    }
}

/// `ws-214/c4` or `parts/ws-214/revisions/c4` as the latter.
pub(crate) fn revision(typed: &str) -> anyhow::Result<String> {
    let ids = match typed.strip_prefix("parts/") {
        Some(rest) => rest.split_once("/revisions/"),
        None => typed.split_once('/'),
    };
    match ids {
        Some((part, revision)) if is_id(part) && is_id(revision) => {
            Ok(format!("parts/{part}/revisions/{revision}"))
        }
        _ => Err(Exit::Usage.because(format!(
            "\"{typed}\" is no name of a revision; write ws-214/c4 or parts/ws-214/revisions/c4 ({ID_RULE})"
        ))),
    }
}

/// A part or one of its revisions, told apart by form.
pub(crate) enum PartOrRevision {
    Part(String),
    Revision(String),
}

/// Either of the two.
pub(crate) fn part_or_revision(typed: &str) -> anyhow::Result<PartOrRevision> {
    if typed.strip_prefix("parts/").unwrap_or(typed).contains('/') {
        revision(typed).map(PartOrRevision::Revision)
    } else {
        part(typed).map(PartOrRevision::Part)
    }
}

/// An inspection's id or whole name as the latter.
pub(crate) fn inspection(typed: &str) -> anyhow::Result<String> {
    match typed.strip_prefix("inspections/").unwrap_or(typed) {
        id if is_id(id) => Ok(format!("inspections/{id}")),
        _ => Err(Exit::Usage
            .because(format!("\"{typed}\" is no name of an inspection; `scantling record list` shows them"))),
    }
}

/// `scanner-3` or `instruments/scanner-3` as the latter.
pub(crate) fn instrument(typed: &str) -> anyhow::Result<String> {
    match typed.strip_prefix("instruments/").unwrap_or(typed) {
        id if is_id(id) => Ok(format!("instruments/{id}")),
        _ => Err(Exit::Usage.because(format!(
            "\"{typed}\" is no name of an instrument; write scanner-3 or instruments/scanner-3 ({ID_RULE})"
        ))),
    }
}

/// `scanner-3/2026-03` or `instruments/scanner-3/verifications/2026-03` as the latter.
pub(crate) fn verification(typed: &str) -> anyhow::Result<String> {
    let ids = match typed.strip_prefix("instruments/") {
        Some(rest) => rest.split_once("/verifications/"),
        None => typed.split_once('/'),
    };
    match ids {
        Some((instrument, id)) if is_id(instrument) && is_id(id) => {
            Ok(format!("instruments/{instrument}/verifications/{id}"))
        }
        _ => Err(Exit::Usage.because(format!(
            "\"{typed}\" is no name of a verification; write scanner-3/2026-03 or \
             instruments/scanner-3/verifications/2026-03 ({ID_RULE})"
        ))),
    }
}

/// Whether a name has the form of a verification's, not of an instrument's.
pub(crate) fn is_verification(typed: &str) -> bool {
    typed.strip_prefix("instruments/").unwrap_or(typed).contains('/')
}

/// A digest alone or `blobs/{sha256}` as the latter.
pub(crate) fn blob(typed: &str) -> anyhow::Result<String> {
    let digest = typed.strip_prefix("blobs/").unwrap_or(typed);
    if digest.len() == 64 && digest.bytes().all(|b| matches!(b, b'a'..=b'f' | b'0'..=b'9')) {
        return Ok(format!("blobs/{digest}"));
    }
    Err(Exit::Usage.because(format!(
        "\"{typed}\" is no name of a blob; write blobs/ and 64 lower-case hexadecimal digits, as `scantling push` tells them"
    )))
}

const ID_RULE: &str = "ids are of a-z, 0-9 and -, 63 at most";

/// The contract's rule: 1 to 63 of `a-z`, `0-9` and `-`, beginning with a letter or digit.
fn is_id(text: &str) -> bool {
    (1..=63).contains(&text.len())
        && !text.starts_with('-')
        && text.bytes().all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'-'))
}

/// The last part of a resource name.
pub(crate) fn id(name: &str) -> &str {
    name.rsplit('/').next().unwrap_or(name)
}

/// `parts/ws-214/revisions/c4` as `ws-214/c4`; anything else as it is.
pub(crate) fn short_revision(name: &str) -> String {
    match name.strip_prefix("parts/").and_then(|rest| rest.split_once("/revisions/")) {
        Some((part, revision)) => format!("{part}/{revision}"),
        None => name.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_spellings_are_the_same_name() -> anyhow::Result<()> {
        assert_eq!(part("ws-214")?, part("parts/ws-214")?);
        assert_eq!(revision("ws-214/c4")?, "parts/ws-214/revisions/c4");
        assert_eq!(revision("parts/ws-214/revisions/c4")?, "parts/ws-214/revisions/c4");
        assert_eq!(inspection("01a")?, inspection("inspections/01a")?);
        assert_eq!(instrument("s-3")?, "instruments/s-3");
        assert_eq!(verification("s-3/2026-03")?, "instruments/s-3/verifications/2026-03");
        assert_eq!(verification("s-3/2026-03")?, verification("instruments/s-3/verifications/2026-03")?);
        assert!(is_verification("s-3/a") && !is_verification("instruments/s-3"));
        assert_eq!(short_revision("parts/ws-214/revisions/c4"), "ws-214/c4");
        Ok(())
    }

    #[test]
    fn what_is_no_name_is_wrong_usage() {
        for typed in ["", "WS-214", "../x", "-a", "parts/", "a/b/c", &"a".repeat(64)] {
            let error = part_or_revision(typed).err().expect("refused");
            assert_eq!(Exit::of_error(&error), Exit::Usage, "{typed}");
        }
        assert!(revision("ws-214").is_err());
        assert!(inspection("a b").is_err());
        assert!(instrument("a/b").is_err() && verification("a").is_err() && verification("a/b/c").is_err());
        assert!(blob("abc").is_err() && blob(&"G".repeat(64)).is_err());
        assert_eq!(blob(&"0a".repeat(32)).expect("a digest"), format!("blobs/{}", "0a".repeat(32)));
    }
}
