//! Page tokens: opaque, and of one list only.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use scantling_core::canonical;

use super::status::Problem;

/// Which list a token belongs to: its name and what it is narrowed by.
fn list_mark(list: &str, narrowed_by: &[&str]) -> String {
    let digest = canonical::sha256_hex(canonical::json(&(list, narrowed_by)).as_bytes());
    digest[..16].to_owned()
}

/// The token for the page that begins behind `key`; empty when there is none.
pub(crate) fn token(list: &str, narrowed_by: &[&str], key: Option<String>) -> String {
    key.map_or_else(String::new, |key| {
        URL_SAFE_NO_PAD.encode(format!("1.{}.{key}", list_mark(list, narrowed_by)))
    })
}

/// The key in a token; `None` for the first page.
pub(crate) fn key(list: &str, narrowed_by: &[&str], token: &str) -> Result<Option<String>, Problem> {
    if token.is_empty() {
        return Ok(None);
    }
    let refused = || {
        Problem::field(
            "page_token",
            "is not from this list narrowed the same way; send next_page_token of the answer before, or none",
        )
    };
    let text = URL_SAFE_NO_PAD
        .decode(token)
        .ok()
        .and_then(|bytes| String::from_utf8(bytes).ok())
        .ok_or_else(refused)?;
    let prefix = format!("1.{}.", list_mark(list, narrowed_by));
    text.strip_prefix(&prefix).map(|key| Some(key.to_owned())).ok_or_else(refused)
}

/// The key in a token of a list that counts.
pub(crate) fn number(list: &str, narrowed_by: &[&str], token: &str) -> Result<Option<i64>, Problem> {
    match key(list, narrowed_by, token)? {
        None => Ok(None),
        Some(key) => {
            key.parse().map(Some).map_err(|_| Problem::field("page_token", "is damaged; begin without one"))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_leads_on_in_its_own_list_only() {
        let sent = token("inspections", &["parts/a"], Some("42".to_owned()));
        assert_eq!(number("inspections", &["parts/a"], &sent), Ok(Some(42)));
        assert_eq!(number("inspections", &["parts/a"], ""), Ok(None));
        for (list, by, token) in [
            ("inspections", "parts/b", sent.as_str()),
            ("parts", "parts/a", &sent),
            ("inspections", "parts/a", "!"),
        ] {
            assert!(number(list, &[by], token).is_err(), "{list} {by} {token}");
        }
    }
}
