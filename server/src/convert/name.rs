//! Resource names: `parts/{part}/revisions/{revision}` and the like.

use crate::blobs::Digest;

/// An id of the restricted alphabet.
pub(crate) fn id(text: &str) -> Option<String> {
    let fits = (1..=63).contains(&text.len())
        && text.bytes().all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'-'))
        && !text.starts_with('-');
    fits.then(|| text.to_owned())
}

fn under(collection: &str, name: &str) -> Option<String> {
    id(name.strip_prefix(collection)?.strip_prefix('/')?)
}

pub(crate) fn part(name: &str) -> Option<String> {
    under("parts", name)
}

pub(crate) fn revision(name: &str) -> Option<(String, String)> {
    let (part, revision) = name.strip_prefix("parts/")?.split_once("/revisions/")?;
    Some((id(part)?, id(revision)?))
}

pub(crate) fn acquisition(name: &str) -> Option<String> {
    under("acquisitions", name)
}

pub(crate) fn inspection(name: &str) -> Option<String> {
    under("inspections", name)
}

pub(crate) fn instrument(name: &str) -> Option<String> {
    under("instruments", name)
}

pub(crate) fn verification(name: &str) -> Option<(String, String)> {
    let (instrument, verification) = name.strip_prefix("instruments/")?.split_once("/verifications/")?;
    Some((id(instrument)?, id(verification)?))
}

pub(crate) fn upload(name: &str) -> Option<String> {
    under("uploads", name)
}

pub(crate) fn blob(name: &str) -> Option<Digest> {
    Digest::parse(name.strip_prefix("blobs/")?)
}

pub(crate) fn of_part(id: &str) -> String {
    format!("parts/{id}")
}

pub(crate) fn of_revision(part: &str, id: &str) -> String {
    format!("parts/{part}/revisions/{id}")
}

pub(crate) fn of_acquisition(id: &str) -> String {
    format!("acquisitions/{id}")
}

pub(crate) fn of_inspection(id: &str) -> String {
    format!("inspections/{id}")
}

pub(crate) fn of_instrument(id: &str) -> String {
    format!("instruments/{id}")
}

pub(crate) fn of_verification(instrument: &str, id: &str) -> String {
    format!("instruments/{instrument}/verifications/{id}")
}

pub(crate) fn of_upload(id: &str) -> String {
    format!("uploads/{id}")
}

pub(crate) fn of_blob(sha256: &str) -> String {
    format!("blobs/{sha256}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_whole_or_not_at_all() {
        assert_eq!(revision("parts/ws-214/revisions/c4"), Some(("ws-214".to_owned(), "c4".to_owned())));
        let both = |a: &str, b: &str| Some((a.to_owned(), b.to_owned()));
        assert_eq!(verification("instruments/s-3/verifications/2026"), both("s-3", "2026"));
        for wrong in ["instruments/s-3", "instruments/s-3/verifications/", "instruments//verifications/a"] {
            assert_eq!(verification(wrong), None, "{wrong}");
        }
        for wrong in [
            "",
            "parts/",
            "parts/A",
            "parts/-a",
            "parts/a/",
            "parts/a/revisions/",
            "part/a",
            "parts/a/revisions/b/c",
            "parts/../revisions/b",
            "parts/a b",
            "parts/é",
        ] {
            assert_eq!(part(wrong).map(|p| (p, String::new())).or_else(|| revision(wrong)), None, "{wrong}");
        }
        assert_eq!(id(&"a".repeat(63)).map(|i| i.len()), Some(63));
        assert_eq!(id(&"a".repeat(64)), None);
    }
}
