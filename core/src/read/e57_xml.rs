//! As much of XML 1.0 as E57's description needs, within bounds: elements with attributes, text, CDATA,
//! comments. No document types, so no entities, which nothing here needs. Memory is that of the open
//! elements only.

/// An element that is open.
pub(super) struct Element<'a> {
    /// Without the prefix of its name space.
    pub(super) name: &'a str,
    attributes: Vec<(&'a str, &'a str)>,
}

impl<'a> Element<'a> {
    pub(super) fn attribute(&self, name: &str) -> Option<&'a str> {
        self.attributes.iter().find(|(n, _)| *n == name).map(|(_, value)| *value)
    }
}

/// Deeper than any description.
const DEEPEST: usize = 32;
/// More than any element has.
const MOST_ATTRIBUTES: usize = 64;

/// A fault at a byte of the text.
type Fault = (usize, String);

fn local(name: &str) -> &str {
    name.rsplit(':').next().unwrap_or(name)
}

/// Calls `closed` at the end of each element with all open ones, itself last, and its text.
pub(super) fn walk<'a>(
    xml: &'a str,
    mut closed: impl FnMut(&[Element<'a>], &'a str) -> Result<(), String>,
) -> Result<(), Fault> {
    let mut path: Vec<Element<'a>> = Vec::new();
    let mut text = "";
    let mut at = 0;
    let end = |from: usize, mark: &str| match xml[from..].find(mark) {
        Some(n) => Ok(from + n),
        None => Err((from, format!("the description ends before `{mark}`: the file is damaged"))),
    };
    let mut names: Vec<&'a str> = Vec::new();
    while let Some(n) = xml[at..].find('<') {
        let before = &xml[at..at + n];
        if !before.trim().is_empty() {
            text = before.trim();
        }
        let start = at + n;
        let rest = &xml[start..];
        if rest.starts_with("<?") {
            at = end(start, "?>")? + 2;
        } else if rest.starts_with("<!--") {
            at = end(start + 4, "-->")? + 3;
        } else if rest.starts_with("<![CDATA[") {
            let to = end(start, "]]>")?;
            text = &xml[start + 9..to.max(start + 9)];
            at = to + 3;
        } else if rest.starts_with("<!") {
            return Err((
                start,
                "the description has a document type, which E57 does not: export it again".into(),
            ));
        } else if rest.starts_with("</") {
            let to = end(start, ">")?;
            let name = xml[start + 2..to].trim();
            if names.pop() != Some(name) {
                return Err((
                    start,
                    "the description closes an element that is not open: the file is damaged".into(),
                ));
            }
            closed(&path, text).map_err(|problem| (start, problem))?;
            path.pop();
            text = "";
            at = to + 1;
        } else {
            let tag = tag(xml, start + 1)?;
            if path.len() >= DEEPEST {
                return Err((start, format!("the description is nested deeper than {DEEPEST} elements")));
            }
            path.push(Element { name: local(tag.name), attributes: tag.attributes });
            names.push(tag.name);
            text = "";
            if tag.empty {
                closed(&path, "").map_err(|problem| (start, problem))?;
                path.pop();
                names.pop();
            }
            at = tag.end;
        }
    }
    match names.last() {
        Some(name) => {
            Err((xml.len(), format!("the description ends inside `{}`: the file is cut short", local(name))))
        }
        None => Ok(()),
    }
}

struct Tag<'a> {
    name: &'a str,
    attributes: Vec<(&'a str, &'a str)>,
    empty: bool,
    end: usize,
}

/// The tag whose name begins at a byte.
fn tag(xml: &str, start: usize) -> Result<Tag<'_>, Fault> {
    let fault = |at: usize| (at, "the description has a damaged tag".to_owned());
    let word_end = |from: usize| {
        let stop = |c: char| c.is_whitespace() || matches!(c, '=' | '>' | '/' | '<');
        xml[from..].find(stop).map(|n| from + n).ok_or(fault(from))
    };
    let skip_blank = |from: usize| from + (xml[from..].len() - xml[from..].trim_start().len());
    let mut at = word_end(start)?;
    let name = &xml[start..at];
    if name.is_empty() {
        return Err(fault(start));
    }
    let mut attributes = Vec::new();
    loop {
        at = skip_blank(at);
        let rest = &xml[at..];
        if rest.starts_with("/>") {
            return Ok(Tag { name, attributes, empty: true, end: at + 2 });
        }
        if rest.starts_with('>') {
            return Ok(Tag { name, attributes, empty: false, end: at + 1 });
        }
        let name_end = word_end(at)?;
        let key = &xml[at..name_end];
        let equals = skip_blank(name_end);
        if key.is_empty() || !xml[equals..].starts_with('=') || attributes.len() >= MOST_ATTRIBUTES {
            return Err(fault(at));
        }
        let quote_at = skip_blank(equals + 1);
        let quote = xml[quote_at..].chars().next().filter(|c| matches!(c, '"' | '\'')).ok_or(fault(at))?;
        let value_end = xml[quote_at + 1..].find(quote).map(|n| quote_at + 1 + n).ok_or(fault(at))?;
        attributes.push((key, &xml[quote_at + 1..value_end]));
        at = value_end + 1;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(xml: &str) -> Result<Vec<String>, Fault> {
        let mut found = Vec::new();
        walk(xml, |path, text| {
            let names: Vec<&str> = path.iter().map(|e| e.name).collect();
            let a = path.last().and_then(|e| e.attribute("a")).unwrap_or("-");
            found.push(format!("{} {a} {text}", names.join("/")));
            Ok(())
        })?;
        Ok(found)
    }

    #[test]
    fn elements_are_told_as_they_close() {
        let xml = "<?xml version='1.0'?><!-- <no> --><r xmlns:n=\"u\"><n:b a='1 > 0' >\n 5 </n:b><c/>\
                   <d a = \"x\"><![CDATA[a<b]]></d></r>\n";
        assert_eq!(all(xml).unwrap(), ["r/b 1 > 0 5", "r/c - ", "r/d x a<b", "r - "]);
    }

    #[test]
    fn what_is_not_whole_or_too_much_is_refused() {
        for bad in [
            "<a>",
            "<a></b>",
            "</a>",
            "<a b>",
            "<a b=c/>",
            "<a b='c/>",
            "<",
            "<a",
            "< a/>",
            "<![CDATA[",
            "<!--",
            "<!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>",
            "<a/><![CDATA[ü",
        ] {
            assert!(all(bad).is_err(), "{bad}");
        }
        assert!(all(&("<a>".repeat(33) + &"</a>".repeat(33))).is_err());
        assert!(all(&format!("<a {}/>", "b='' ".repeat(65))).is_err());
    }
}
