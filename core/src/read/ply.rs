//! PLY: the header, and what it says about the data.
//!
//! After Turk, "The PLY Polygon File Format" (Georgia Tech, 1994), from memory: `ply`, a `format` line,
//! `element NAME COUNT` each with its `property TYPE NAME` or `property list TYPE TYPE NAME` lines,
//! `comment` and `obj_info` lines anywhere, `end_header`.

use std::collections::BTreeSet;

use super::text::{Lines, shown, words};
use super::{Place, RawScan, ReadError, allowed, ply_ascii, ply_binary, ply_rows};
use crate::run::Run;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Encoding {
    Ascii,
    Little,
    Big,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Scalar {
    I8,
    U8,
    I16,
    U16,
    I32,
    U32,
    F32,
    F64,
}

impl Scalar {
    fn named(word: &[u8]) -> Option<Self> {
        Some(match word {
            b"char" | b"int8" => Scalar::I8,
            b"uchar" | b"uint8" => Scalar::U8,
            b"short" | b"int16" => Scalar::I16,
            b"ushort" | b"uint16" => Scalar::U16,
            b"int" | b"int32" => Scalar::I32,
            b"uint" | b"uint32" => Scalar::U32,
            b"float" | b"float32" => Scalar::F32,
            b"double" | b"float64" => Scalar::F64,
            _ => return None,
        })
    }

    pub(super) fn size(self) -> usize {
        match self {
            Scalar::I8 | Scalar::U8 => 1,
            Scalar::I16 | Scalar::U16 => 2,
            Scalar::I32 | Scalar::U32 | Scalar::F32 => 4,
            Scalar::F64 => 8,
        }
    }

    fn is_float(self) -> bool {
        matches!(self, Scalar::F32 | Scalar::F64)
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    One(Scalar),
    List { count: Scalar, item: Scalar },
}

#[derive(Clone, Debug)]
pub(super) struct Property {
    name: Vec<u8>,
    pub(super) kind: Kind,
}

/// What an element is to us.
#[derive(Clone, Debug)]
pub(super) enum Role {
    /// Property numbers of x, y, z and of nx, ny, nz.
    Vertex {
        place: [usize; 3],
        normal: Option<[usize; 3]>,
    },
    /// Property number of the corner list.
    Face {
        corners: usize,
    },
    Other,
}

#[derive(Clone, Debug)]
pub(super) struct Element {
    name: Vec<u8>,
    pub(super) count: u64,
    line: u64,
    pub(super) properties: Vec<Property>,
    pub(super) role: Role,
}

impl Element {
    /// Least length of one row: bytes of a binary row, or words of a text row.
    fn least(&self, encoding: Encoding) -> u64 {
        let corners = if let Role::Face { corners } = self.role { Some(corners) } else { None };
        let size = |s: Scalar| if encoding == Encoding::Ascii { 1 } else { s.size() as u64 };
        let one = |(i, p): (usize, &Property)| match p.kind {
            Kind::One(s) => size(s),
            Kind::List { count, item } => size(count) + if corners == Some(i) { 3 * size(item) } else { 0 },
        };
        self.properties.iter().enumerate().map(one).sum()
    }
}

#[derive(Debug)]
pub(super) struct Layout {
    pub(super) encoding: Encoding,
    pub(super) elements: Vec<Element>,
    /// Where the data begin: byte, and lines before it.
    pub(super) body: usize,
    pub(super) lines: u64,
}

impl Layout {
    fn count(&self, wanted: impl Fn(&Role) -> bool) -> u64 {
        self.elements.iter().find(|e| wanted(&e.role)).map_or(0, |e| e.count)
    }

    pub(super) fn vertex_count(&self) -> u64 {
        self.count(|r| matches!(r, Role::Vertex { .. }))
    }

    pub(super) fn face_count(&self) -> u64 {
        self.count(|r| matches!(r, Role::Face { .. }))
    }

    pub(super) fn has_normals(&self) -> bool {
        self.elements.iter().any(|e| matches!(e.role, Role::Vertex { normal: Some(_), .. }))
    }
}

/// A header longer than this is not one.
const LONGEST_HEADER: usize = 1 << 20;

pub(super) fn is_ply(bytes: &[u8]) -> bool {
    bytes.strip_prefix(b"ply").is_some_and(|rest| rest.first().is_none_or(u8::is_ascii_whitespace))
}

pub(super) fn read(bytes: &[u8], run: &Run) -> Result<RawScan, ReadError> {
    let layout = layout_within(bytes, Some(run))?;
    match layout.encoding {
        Encoding::Ascii => ply_ascii::read(bytes, &layout, run),
        Encoding::Little => ply_binary::read::<false>(bytes, &layout, run),
        Encoding::Big => ply_binary::read::<true>(bytes, &layout, run),
    }
}

/// A binary file of `length` bytes that holds points in single numbers, with or without normals, and nothing else:
/// where its rows begin, their number, and how to decode them. `None` of any other, of one with a fault, which [`read`]
/// names, and where `start` does not hold the header.
pub(super) fn single_rows(
    start: &[u8],
    length: u64,
    run: &Run,
) -> Option<(usize, usize, ply_rows::SingleRows)> {
    let layout = parse(start).ok()?;
    let [only] = layout.elements.as_slice() else { return None };
    let plain = layout.encoding != Encoding::Ascii
        && !ply_binary::is_text_instead(&start[layout.body..], &layout)
        && (1..=run.limits.points.min(super::MOST)).contains(&only.count);
    if !plain {
        return None;
    }
    let rows = ply_rows::SingleRows::of(only, layout.encoding == Encoding::Big)?;
    let bytes = only.count.checked_mul(rows.stride as u64)?.checked_add(layout.body as u64)?;
    (bytes == length).then_some((layout.body, only.count as usize, rows))
}

/// The header, with its counts held against the bytes that follow.
pub(super) fn layout(bytes: &[u8]) -> Result<Layout, ReadError> {
    layout_within(bytes, None)
}

fn layout_within(bytes: &[u8], run: Option<&Run>) -> Result<Layout, ReadError> {
    let layout = parse(bytes)?;
    if let Some(run) = run {
        allowed("points", layout.vertex_count(), run.limits.points)?;
        allowed("triangles", layout.face_count(), run.limits.triangles)?;
    }
    if layout.vertex_count() == 0 {
        return Err(ReadError::NoPoints);
    }
    let left = (bytes.len() - layout.body) as u64;
    let rows = layout
        .elements
        .iter()
        .fold(0u64, |sum, e| sum.saturating_add(e.count.saturating_mul(e.least(layout.encoding))));
    // A word of text takes a character and a separator; the last one may lack its separator.
    let needed =
        if layout.encoding == Encoding::Ascii { rows.saturating_mul(2).saturating_sub(1) } else { rows };
    if needed > left {
        let at = match layout.encoding {
            Encoding::Ascii => Place::Line(layout.lines + 1),
            _ => Place::Byte(layout.body as u64),
        };
        return Err(ReadError::Promised { at, needed, left });
    }
    Ok(layout)
}

/// The header alone, of a file of which the rest may be missing.
pub(super) fn parsed(bytes: &[u8]) -> Result<Layout, ReadError> {
    let layout = parse(bytes)?;
    if layout.vertex_count() == 0 { Err(ReadError::NoPoints) } else { Ok(layout) }
}

fn parse(bytes: &[u8]) -> Result<Layout, ReadError> {
    let head = &bytes[..bytes.len().min(LONGEST_HEADER)];
    let mut lines = Lines::from(head, 0, 0);
    let mut encoding = None;
    let mut elements: Vec<Element> = Vec::new();
    lines.next();
    loop {
        let Some(line) = lines.next() else {
            return Err(ReadError::Truncated {
                at: Place::Line(lines.line),
                what: "the header, which has no `end_header` line",
            });
        };
        let fault = |problem: String| Err(ReadError::BadHeader { line: lines.line, problem });
        let mut word = words(line);
        match word.next() {
            None | Some(b"comment" | b"obj_info") => {}
            Some(b"end_header") => break,
            Some(b"format") => match word.next() {
                Some(b"ascii") => encoding = Some(Encoding::Ascii),
                Some(b"binary_little_endian") => encoding = Some(Encoding::Little),
                Some(b"binary_big_endian") => encoding = Some(Encoding::Big),
                other => {
                    return fault(format!(
                        "format `{}` is not known; it is ascii, binary_little_endian or binary_big_endian",
                        shown(other.unwrap_or_default())
                    ));
                }
            },
            Some(b"element") => {
                let name = word.next().unwrap_or_default().to_vec();
                let count = word.next().and_then(|w| std::str::from_utf8(w).ok()?.parse().ok());
                let Some(count) = count else {
                    return fault("an element needs a name and a count: `element vertex 1000`".into());
                };
                if name == b"tristrips" && count > 0 {
                    return fault("triangles in strips are not read; export an element `face`".into());
                }
                elements.push(Element {
                    name,
                    count,
                    line: lines.line,
                    properties: Vec::new(),
                    role: Role::Other,
                });
            }
            Some(b"property") => {
                let Some(element) = elements.last_mut() else {
                    return fault("a property comes before any element".into());
                };
                match property(&mut word) {
                    Ok(p) => element.properties.push(p),
                    Err(problem) => return fault(problem),
                }
            }
            Some(other) => return fault(format!("`{}` begins no header line of a PLY file", shown(other))),
        }
    }
    let Some(encoding) = encoding else {
        return Err(ReadError::BadHeader {
            line: lines.line,
            problem: "the header has no `format` line; add `format ascii 1.0` or a binary one".into(),
        });
    };
    give_roles(&mut elements)?;
    Ok(Layout { encoding, elements, body: lines.at, lines: lines.line })
}

fn property<'a>(word: &mut impl Iterator<Item = &'a [u8]>) -> Result<Property, String> {
    let scalar = |word: Option<&'a [u8]>| {
        let word = word.unwrap_or_default();
        Scalar::named(word).ok_or_else(|| format!("`{}` is no type; such as float or uchar is", shown(word)))
    };
    let kind = match word.next() {
        Some(b"list") => {
            let (count, item) = (scalar(word.next())?, scalar(word.next())?);
            if count.is_float() {
                return Err("the length of a list must be of a whole-number type such as uchar".into());
            }
            Kind::List { count, item }
        }
        first => Kind::One(scalar(first)?),
    };
    match word.next() {
        Some(name) => Ok(Property { name: name.to_vec(), kind }),
        None => Err("the property has no name".into()),
    }
}

/// Finds the vertices and faces among the elements.
fn give_roles(elements: &mut [Element]) -> Result<(), ReadError> {
    let mut names = BTreeSet::new();
    for element in elements {
        let line = element.line;
        let fault = |problem: String| ReadError::BadHeader { line, problem };
        if !names.insert(element.name.clone()) {
            return Err(fault(format!("element `{}` is declared twice", shown(&element.name))));
        }
        let mut seen = BTreeSet::new();
        if let Some(p) = element.properties.iter().find(|p| !seen.insert(&p.name)) {
            return Err(fault(format!("property `{}` is declared twice", shown(&p.name))));
        }
        let find = |name: &str| element.properties.iter().position(|p| p.name == name.as_bytes());
        let numbers = |wanted: [&str; 3]| -> Option<[usize; 3]> {
            let [a, b, c] =
                wanted.map(|n| find(n).filter(|&i| matches!(element.properties[i].kind, Kind::One(_))));
            Some([a?, b?, c?])
        };
        element.role = match element.name.as_slice() {
            b"vertex" => {
                let place = numbers(["x", "y", "z"])
                    .ok_or_else(|| fault("the vertices need the properties x, y and z".into()))?;
                Role::Vertex { place, normal: numbers(["nx", "ny", "nz"]) }
            }
            b"face" if element.count > 0 => {
                let corners = find("vertex_indices").or_else(|| find("vertex_index"));
                match corners.map(|i| (i, element.properties[i].kind)) {
                    Some((corners, Kind::List { item, .. })) if !item.is_float() => Role::Face { corners },
                    _ => {
                        return Err(fault(
                            "the faces need `property list uchar int vertex_indices` (of whole numbers)"
                                .into(),
                        ));
                    }
                }
            }
            _ => Role::Other,
        };
    }
    Ok(())
}
