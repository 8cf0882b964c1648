//! The known word that somebody may have meant.

/// The known word closest to `word`, if it is close: at most one slip in three letters.
pub(super) fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    // Longer than any word of a plan: not worth the time.
    const LONGEST: usize = 64;
    if word.chars().count() > LONGEST {
        return None;
    }
    let word = word.to_lowercase();
    let (slips, best) = known
        .into_iter()
        .filter(|k| k.chars().count() <= LONGEST)
        .map(|k| (slips(&word, &k.to_lowercase()), k))
        .min_by_key(|&(slips, _)| slips)?;
    (slips <= (best.chars().count() / 3).max(1)).then_some(best)
}

/// Letters to insert, delete, replace or swap with the next to come from `a` to `b` (optimal string
/// alignment; common practice, no source).
fn slips(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let width = b.len() + 1;
    let mut table = vec![0usize; (a.len() + 1) * width];
    for i in 0..=a.len() {
        for j in 0..=b.len() {
            let mut least = if i == 0 || j == 0 { i + j } else { usize::MAX };
            if i > 0 && j > 0 {
                let changed = usize::from(a[i - 1] != b[j - 1]);
                least = (table[(i - 1) * width + j] + 1)
                    .min(table[i * width + j - 1] + 1)
                    .min(table[(i - 1) * width + j - 1] + changed);
                if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                    least = least.min(table[(i - 2) * width + j - 2] + 1);
                }
            }
            table[i * width + j] = least;
        }
    }
    table[a.len() * width + b.len()]
}

/// Words in backticks, the first dozen of them.
pub(super) fn list(words: &[&str]) -> String {
    const MOST: usize = 12;
    let mut text = words.iter().take(MOST).map(|w| format!("`{w}`")).collect::<Vec<_>>().join(", ");
    if words.len() > MOST {
        text.push_str(&format!(" and {} more", words.len() - MOST));
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_is_understood_and_another_word_is_not() {
        assert_eq!(nearest("datum_sytem", ["datum_system", "number"]), Some("datum_system"));
        assert_eq!(nearest("nubmer", ["datum_system", "number"]), Some("number"));
        assert_eq!(nearest("colour", ["datum_system", "number"]), None);
        assert_eq!(nearest("h1", ["H1", "H2"]), Some("H1"));
        assert_eq!(nearest("", []), None);
    }

    #[test]
    fn slips_count_insertions_deletions_changes_and_swaps() {
        for (a, b, expected) in
            [("", "abc", 3), ("abc", "", 3), ("abc", "abd", 1), ("abc", "acb", 1), ("ab", "ab", 0)]
        {
            assert_eq!(slips(a, b), expected, "{a} -> {b}");
        }
    }
}
