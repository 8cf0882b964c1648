use super::*;
use crate::geometry::random::Random;
use crate::run::{Limits, quiet};

fn load(bytes: &[u8]) -> Result<RawScan, ReadError> {
    read(bytes, &quiet())
}

/// A tetrahedron's vertices, with normals.
const VERTICES: [[f32; 6]; 4] = [
    [0.0, 0.0, 0.0, 0.0, 0.0, 1.0],
    [1.5, 0.0, 0.0, 0.0, 1.0, 0.0],
    [0.0, 2.25, -0.5, 1.0, 0.0, 0.0],
    [0.125, 0.0, 3.0, 0.0, 0.0, -2.0],
];
/// One quadrilateral and one triangle.
const FACES: [&[u32]; 2] = [&[0, 1, 2, 3], &[3, 2, 1]];

const HEAD: &str = "comment made by hand
obj_info with a word
element vertex 4
property float x
property float y
property float z
property uchar red
property float nx
property float ny
property float nz
element face 2
property uchar flags
property list uchar int vertex_indices
property list uchar float texcoord
element edge 1
property int vertex1
property int vertex2
end_header
";

fn ascii() -> Vec<u8> {
    let mut text = format!("ply\nformat ascii 1.0\n{HEAD}");
    for [x, y, z, nx, ny, nz] in VERTICES {
        text += &format!("{x} {y} {z} 200 {nx} {ny} {nz}\n");
    }
    text += "7 4 0 1 2 3 2 0.5 0.5\n7 3 3 2 1 0\n0 1\n";
    text.into_bytes()
}

fn binary(big: bool) -> Vec<u8> {
    let order = if big { "big" } else { "little" };
    let mut bytes = format!("ply\nformat binary_{order}_endian 1.0\n{HEAD}").into_bytes();
    let put = |bytes: &mut Vec<u8>, value: [u8; 4]| {
        bytes.extend(if big { [value[3], value[2], value[1], value[0]] } else { value });
    };
    for v in VERTICES {
        v[..3].iter().for_each(|c| put(&mut bytes, c.to_le_bytes()));
        bytes.push(200);
        v[3..].iter().for_each(|c| put(&mut bytes, c.to_le_bytes()));
    }
    for (face, textures) in FACES.iter().zip([2u8, 0]) {
        bytes.extend([7, face.len() as u8]);
        face.iter().for_each(|c| put(&mut bytes, c.to_le_bytes()));
        bytes.push(textures);
        (0..textures).for_each(|_| put(&mut bytes, 0.5f32.to_le_bytes()));
    }
    put(&mut bytes, 0u32.to_le_bytes());
    put(&mut bytes, 1u32.to_le_bytes());
    bytes
}

fn corners() -> Vec<[[f32; 3]; 3]> {
    let p = |i: usize| [VERTICES[i][0], VERTICES[i][1], VERTICES[i][2]];
    vec![[p(0), p(1), p(2)], [p(0), p(2), p(3)], [p(3), p(2), p(1)]]
}

fn binary_stl(begin: &[u8]) -> Vec<u8> {
    let mut bytes = begin.to_vec();
    bytes.resize(80, b' ');
    bytes.extend((corners().len() as u32).to_le_bytes());
    for (i, facet) in corners().iter().enumerate() {
        bytes.extend([0xFF; 12]);
        for c in facet.iter().flatten() {
            // Zeros of both signs are the same place.
            let c = if *c == 0.0 && i == 1 { -0.0 } else { *c };
            bytes.extend(c.to_le_bytes());
        }
        bytes.extend([1, 2]);
    }
    bytes
}

fn ascii_stl() -> Vec<u8> {
    let mut text = "solid a part, facet by facet\r\n".to_string();
    for facet in corners() {
        text += "  facet normal nan 0 0\r\n    outer loop\r\n";
        for [x, y, z] in facet {
            text += &format!("      VERTEX {x:e} {y} {z}\r\n");
        }
        text += "    endloop\r\n  endfacet\r\n";
    }
    (text + "endsolid a part\r\n\r\n").into_bytes()
}

fn every_variant() -> Vec<(&'static str, Vec<u8>)> {
    vec![
        ("ascii ply", ascii()),
        ("little-endian ply", binary(false)),
        ("big-endian ply", binary(true)),
        ("binary stl", binary_stl(b"solid but binary")),
        ("ascii stl", ascii_stl()),
    ]
}

fn replaced(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    let at = bytes.windows(from.len()).position(|w| w == from.as_bytes()).expect("the text is there");
    [&bytes[..at], to.as_bytes(), &bytes[at + from.len()..]].concat()
}

#[test]
fn every_variant_holds_the_same_shape() {
    let points: Vec<Point> =
        VERTICES.iter().map(|v| Point::new(v[0].into(), v[1].into(), v[2].into())).collect();
    let normals: Vec<Vector> =
        VERTICES.iter().map(|v| Vector::new(v[3].into(), v[4].into(), v[5].into())).collect();
    for (name, bytes) in every_variant() {
        let raw = load(&bytes).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(raw.points, points, "{name}");
        assert_eq!(raw.triangles, [[0, 1, 2], [0, 2, 3], [3, 2, 1]], "{name}");
        let head = header(&bytes).unwrap();
        if name.ends_with("ply") {
            assert_eq!(raw.normals.as_ref(), Some(&normals), "{name}");
            assert_eq!(head, Header::of(Format::Ply, 4, 2, true));
        } else {
            assert_eq!(raw.normals, None, "{name}");
            assert_eq!(head, Header::of(Format::Stl, 9, 3, false));
        }
        assert_eq!(sniff(&bytes), Some(head.format));
    }
}

#[test]
fn carriage_returns_in_a_header_change_nothing() {
    for bytes in [ascii(), binary(false), binary(true)] {
        let end = bytes.windows(11).position(|w| w == b"end_header\n").unwrap() + 11;
        let head = String::from_utf8(bytes[..end].to_vec()).unwrap().replace('\n', "\r\n");
        let mixed = [head.as_bytes(), &bytes[end..]].concat();
        assert_eq!(load(&mixed).unwrap(), load(&bytes).unwrap());
    }
    let all = String::from_utf8(ascii()).unwrap().replace('\n', "\r\n");
    assert_eq!(load(all.as_bytes()).unwrap(), load(&ascii()).unwrap());
    assert_eq!(load(&replaced(&ascii(), "vertex_indices", "vertex_index")).unwrap(), load(&ascii()).unwrap());
}

#[test]
fn every_scalar_type_is_read_in_both_orders() {
    type Encode = fn(i8, bool) -> Vec<u8>;
    let types: [(&str, Encode); 8] = [
        ("char", |v, _| vec![v as u8]),
        ("uint8", |v, _| vec![v as u8]),
        ("short", |v, big| ordered(i16::from(v).to_le_bytes().to_vec(), big)),
        ("uint16", |v, big| ordered((v as u16).to_le_bytes().to_vec(), big)),
        ("int", |v, big| ordered(i32::from(v).to_le_bytes().to_vec(), big)),
        ("uint32", |v, big| ordered((v as u32).to_le_bytes().to_vec(), big)),
        ("float32", |v, big| ordered(f32::from(v).to_le_bytes().to_vec(), big)),
        ("double", |v, big| ordered(f64::from(v).to_le_bytes().to_vec(), big)),
    ];
    fn ordered(mut bytes: Vec<u8>, big: bool) -> Vec<u8> {
        if big {
            bytes.reverse();
        }
        bytes
    }
    for (name, encode) in types {
        for big in [false, true] {
            let order = if big { "big" } else { "little" };
            let mut bytes = format!(
                "ply\nformat binary_{order}_endian 1.0\nelement vertex 1\nproperty {name} x\nproperty {name} y\nproperty {name} z\nproperty list uchar {name} more\nend_header\n"
            )
            .into_bytes();
            for v in [3, 100, 127] {
                bytes.extend(encode(v, big));
            }
            bytes.push(2);
            bytes.extend(encode(5, big));
            bytes.extend(encode(6, big));
            let raw = load(&bytes).unwrap_or_else(|e| panic!("{name}: {e}"));
            assert_eq!(raw.points, [Point::new(3.0, 100.0, 127.0)], "{name} {order}");
        }
    }
}

#[test]
fn faces_may_come_first_and_a_cloud_has_none() {
    let text = "ply\nformat ascii 1.0\nelement face 1\nproperty list uchar int vertex_index\nelement vertex 3\nproperty double x\nproperty double y\nproperty double z\nend_header\n3 2 0 1\n\n1 0 0\n0 1 0\n0 0 1e-3";
    let raw = load(text.as_bytes()).unwrap();
    assert_eq!((raw.triangles, raw.normals), (vec![[2, 0, 1]], None));
    let cloud = "ply\nformat ascii 1.0\nelement vertex 1\nproperty float x\nproperty float y\nproperty float z\nend_header\n1 2 3\n";
    assert_eq!(load(cloud.as_bytes()).unwrap().points, [Point::new(1.0, 2.0, 3.0)]);
}

#[test]
fn a_normal_that_is_no_number_is_unknown() {
    let raw = load(&replaced(&ascii(), "200 0 0 1", "200 nan 0 1")).unwrap();
    assert_eq!(raw.normals.unwrap()[0], Vector::zeros());
}

#[test]
fn truncation_anywhere_is_an_error() {
    for (name, bytes) in every_variant() {
        // Text may lose the white space at its end, and an STL the name after its last word.
        let last = bytes.windows(8).position(|w| w == b"endsolid").map(|at| at + 8);
        let data = last.unwrap_or(bytes.trim_ascii_end().len());
        for length in 0..data {
            let cut = load(&bytes[..length]);
            assert!(cut.is_err(), "{name} cut to {length} of {}", bytes.len());
            let cut_header = !bytes[..length].windows(10).any(|w| w == b"end_header");
            if name.ends_with("ply") && cut_header {
                assert!(header(&bytes[..length]).is_err(), "{name} cut to {length}");
            }
        }
    }
}

#[test]
fn an_empty_file_and_an_unknown_one_say_so() {
    assert_eq!(load(b""), Err(ReadError::Empty));
    assert_eq!(load(b"hello"), Err(ReadError::NoFormat { bytes: 5 }));
    let mut picture = vec![0x89; 300];
    picture[80..84].copy_from_slice(&10u32.to_le_bytes());
    assert_eq!(load(&picture), Err(ReadError::UnknownFormat { bytes: 300, triangles: 10, needed: 584 }));
    let cut = &binary_stl(b"solid")[..200];
    let needed = 84 + 3 * 50;
    assert_eq!(load(cut), Err(ReadError::UnknownFormat { bytes: 200, triangles: 3, needed }));
}

#[test]
fn counts_of_four_billion_are_refused_before_anything_is_reserved() {
    let unlimited = Limits { file_bytes: u64::MAX, points: u64::MAX, triangles: u64::MAX };
    for bytes in [ascii(), binary(false)] {
        for (from, to) in [
            ("vertex 4", "vertex 4294967295"),
            ("face 2", "face 4294967295"),
            ("vertex 4", "vertex 1000000000"),
            ("face 2", "face 1000000000"),
            ("edge 1", "edge 18446744073709551615"),
            ("edge 1", "edge 1000"),
        ] {
            let bytes = replaced(&bytes, from, to);
            let answer = read(&bytes, &Run { limits: unlimited, ..quiet() });
            let refused = matches!(
                answer,
                Err(ReadError::TooMany { .. } | ReadError::Promised { .. } | ReadError::Truncated { .. })
            );
            assert!(refused, "{from} -> {to}: {answer:?}");
            assert!(matches!(header(&bytes), Err(ReadError::Promised { .. })), "{to}");
        }
    }
    let mut stl = binary_stl(b"part");
    stl[80..84].copy_from_slice(&u32::MAX.to_le_bytes());
    let needed = 84 + 50 * u64::from(u32::MAX);
    let wanted = ReadError::UnknownFormat { bytes: stl.len() as u64, triangles: u32::MAX.into(), needed };
    assert_eq!(load(&stl), Err(wanted));
}

#[test]
fn limits_are_kept() {
    let few = |points, triangles, file_bytes| {
        let limits = Limits { points, triangles, file_bytes };
        move |bytes: &[u8]| read(bytes, &Run { limits, ..quiet() })
    };
    for (name, bytes) in every_variant() {
        assert!(few(4, 3, 10_000)(&bytes).is_ok(), "{name}");
        assert!(
            matches!(few(3, 3, 10_000)(&bytes), Err(ReadError::TooMany { what: "points", .. })),
            "{name}"
        );
        // Two faces make three triangles.
        let triangles = few(4, 2, 10_000)(&bytes);
        assert!(matches!(triangles, Err(ReadError::TooMany { what: "triangles", .. })), "{name}");
        assert!(matches!(few(4, 3, 100)(&bytes), Err(ReadError::FileTooLarge { limit: 100, .. })), "{name}");
    }
}

#[test]
fn a_coordinate_that_is_no_number_is_named() {
    let answer = load(&replaced(&ascii(), "\n1.5 ", "\ninf "));
    assert_eq!(answer, Err(ReadError::NotFinite { vertex: 1, at: Place::Line(22) }));
    for big in [false, true] {
        let mut bytes = binary(big);
        let row = bytes.windows(11).position(|w| w == b"end_header\n").unwrap() + 11 + 2 * 25;
        let nan = f32::NAN.to_bits();
        let nan = if big { nan.to_be_bytes() } else { nan.to_le_bytes() };
        bytes[row + 8..row + 12].copy_from_slice(&nan);
        assert_eq!(load(&bytes), Err(ReadError::NotFinite { vertex: 2, at: Place::Byte(row as u64) }));
    }
    let mut stl = binary_stl(b"x");
    let at = 84 + 50 + 12 + 24;
    stl[at + 4..at + 8].copy_from_slice(&f32::INFINITY.to_le_bytes());
    assert_eq!(load(&stl), Err(ReadError::NotFinite { vertex: 5, at: Place::Byte(at as u64) }));
    let text = replaced(&ascii_stl(), "VERTEX 1.5e0 ", "VERTEX nan ");
    assert_eq!(load(&text), Err(ReadError::NotFinite { vertex: 1, at: Place::Line(5) }));
}

#[test]
fn text_where_binary_was_promised_is_recognised() {
    let text = replaced(&ascii(), "format ascii", "format binary_little_endian");
    let body = text.windows(11).position(|w| w == b"end_header\n").unwrap() as u64 + 11;
    // So short a text cannot hold the announced bytes, which comes first; with more of it the kind shows.
    assert!(load(&text).is_err());
    let more = replaced(&text, "element edge 1", "element edge 0");
    let more =
        [&more[..], b"0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0 0\n"].concat();
    let answer = load(&more);
    assert_eq!(answer, Err(ReadError::TextInsteadOfBinary { at: Place::Byte(body) }));
    let other_way = load(&replaced(&binary(false), "format binary_little_endian", "format ascii"));
    assert!(other_way.is_err());
}

#[test]
fn faults_say_where_and_what() {
    let line = |from, to| match load(&replaced(&ascii(), from, to)) {
        Err(ReadError::BadLine { line, problem } | ReadError::BadHeader { line, problem }) => (line, problem),
        other => panic!("{from} -> {to}: {other:?}"),
    };
    assert_eq!(line("1.5 0 0 200", "1,5 0 0 200").0, 22);
    assert_eq!(line("1.5 0 0 200", "1.5 0 0").0, 22);
    assert_eq!(line("1.5 0 0 200", "1.5 0 0 200 9").0, 22);
    assert_eq!(line("format ascii", "format asci").0, 2);
    assert_eq!(line("float x", "floot x"), (6, "`floot` is no type; such as float or uchar is".into()));
    assert_eq!(line("float z", "float w").0, 5);
    assert_eq!(line("float z", "float y").0, 5);
    assert_eq!(line("vertex 4", "vertex -4").0, 5);
    assert_eq!(line("element edge", "element face").0, 17);
    assert_eq!(line("list uchar int vertex", "list float int vertex").0, 15);
    assert_eq!(line("list uchar int vertex", "list uchar float vertex").0, 13);
    assert_eq!(line("vertex_indices", "corners").0, 13);
    assert_eq!(line("element edge 1", "element tristrips 1").0, 17);

    let face = |to| load(&replaced(&ascii(), "7 3 3 2 1 0\n", to));
    let at = Place::Line(26);
    assert_eq!(
        face("7 3 3 2 4 0\n"),
        Err(ReadError::IndexOutOfRange { face: 1, vertex: 4, vertices: 4, at })
    );
    assert_eq!(
        face("7 3 3 2 -1 0\n"),
        Err(ReadError::IndexOutOfRange { face: 1, vertex: -1, vertices: 4, at })
    );
    assert_eq!(
        face("7 2 3 2 0 0 0\n").map(|_| ()),
        Err(ReadError::BadLine {
            line: 26,
            problem: "more values than the header's properties; do header and data belong together?".into()
        })
    );
    assert_eq!(face("7 2 3 2 0\n"), Err(ReadError::FewCorners { face: 1, corners: 2, at }));
    assert_eq!(face("7 -1 0\n"), Err(ReadError::NegativeLength { at }));
    assert!(matches!(load(&[ascii(), b"9 9\n".to_vec()].concat()), Err(ReadError::Trailing { .. })));
    assert!(matches!(
        load(&[binary(true), vec![0x99; 4]].concat()),
        Err(ReadError::Trailing { bytes: 4, .. })
    ));
    assert_eq!(load(&replaced(&ascii(), "vertex 4", "vertex 0")), Err(ReadError::NoPoints));
    assert_eq!(load(b"solid nothing\nendsolid nothing\n"), Err(ReadError::NoPoints));
    let mut none = vec![b' '; 84];
    none[80..].fill(0);
    assert_eq!(load(&none), Err(ReadError::NoPoints));
    let stl = |from, to| match load(&replaced(&ascii_stl(), from, to)) {
        Err(ReadError::BadLine { line, .. }) => line,
        other => panic!("{from} -> {to}: {other:?}"),
    };
    assert_eq!(stl("endfacet", "endloop\r\n  facet"), 9);
    assert_eq!(stl("VERTEX 1.5e0 0 0\r\n", "\r\n"), 8);
    assert_eq!(stl("VERTEX 1.5e0 0 0", "VERTEX 1.5e0 0"), 5);
    assert_eq!(stl("outer loop", "inner loop"), 3);
}

#[test]
fn no_mutation_of_a_file_makes_a_reader_panic() {
    let words: [&[u8]; 8] =
        [b"4294967295", b"-1", b"nan", b"1e999", b"\n", b" ", b"list uchar int", b"end_header\n"];
    for (seed, (name, original)) in (0..).zip(every_variant()) {
        let mut random = Random::seeded(seed);
        let (mut accepted, rounds) = (0, 4000);
        for round in 0..rounds {
            let mut bytes = original.clone();
            for _ in 0..=random.below(4) {
                let at = random.below(bytes.len().max(1)).min(bytes.len().saturating_sub(1));
                match random.below(6) {
                    _ if bytes.is_empty() => {}
                    0 => bytes[at] = random.next_u64() as u8,
                    1 => bytes[at] ^= 1 << random.below(8),
                    2 => bytes.truncate(at),
                    3 => drop(bytes.drain(at..(at + random.below(9)).min(bytes.len()))),
                    4 => drop(bytes.splice(at..at, words[random.below(words.len())].iter().copied())),
                    _ => {
                        let end = (at + 4).min(bytes.len());
                        bytes[at..end].fill(0xFF);
                    }
                }
            }
            let _ = header(&bytes);
            // Whatever is accepted keeps the promises of `RawScan`.
            if let Ok(raw) = load(&bytes) {
                accepted += 1;
                let points = raw.points.len();
                assert!(points > 0 && raw.points.iter().all(|p| p.iter().all(|c| c.is_finite())));
                assert!(raw.triangles.iter().flatten().all(|&c| (c as usize) < points));
                let normals = raw.normals.iter().flatten().flat_map(|n| n.iter());
                assert!(normals.copied().all(f64::is_finite), "{name} round {round}");
                assert!(raw.normals.is_none_or(|n| n.len() == points));
            }
        }
        assert!(accepted > 0 && accepted < rounds, "{name}: {accepted} of {rounds} accepted");
    }
}

#[test]
fn a_stop_is_obeyed() {
    let stop = std::sync::atomic::AtomicBool::new(true);
    for (_, bytes) in every_variant() {
        assert!(matches!(read(&bytes, &Run { stop: &stop, ..quiet() }), Err(ReadError::Stopped(_))));
    }
}
