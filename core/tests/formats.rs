//! What every reader makes of small files written by others and by hand.

#![allow(clippy::unwrap_used, reason = "a file that cannot be read fails the test")]

mod samples;

use std::io::Cursor;

use e57::E57Reader;
use samples::Stored;
use scantling_core::geometry::{Direction, Point, Vector};
use scantling_core::read::{
    Format, LengthUnit, Packing, Place, RawScan, ReadError, TextLayout, header, packing, read, read_with,
    sniff,
};
use scantling_core::run::{Limits, Run, quiet};
use scantling_core::scan::{NormalsFrom, Scan, ScanError, ScanInfo, info};

fn load(bytes: impl AsRef<[u8]>) -> Result<RawScan, ReadError> {
    read(bytes.as_ref(), &quiet())
}

fn load_as(layout: &str, text: &str) -> Result<RawScan, ReadError> {
    read_with(text.as_bytes(), &TextLayout::parse(layout).unwrap(), &quiet())
}

fn about(bytes: &[u8]) -> ScanInfo {
    info(bytes, &TextLayout::default(), None, &quiet()).unwrap()
}

fn rows(raw: &RawScan) -> Vec<[f64; 3]> {
    raw.points.iter().map(|p| [p.x, p.y, p.z]).collect()
}

/// The words of an error, which must hold all of these.
fn says(error: &ReadError, all: &[&str]) {
    let text = error.to_string();
    assert!(all.iter().all(|a| text.contains(a)), "{text}");
}

#[test]
fn every_sample_is_known_and_announced_and_read() {
    for (target, name, bytes) in samples::all() {
        let format = sniff(&bytes).unwrap_or_else(|| panic!("{name} is not known"));
        let head = header(&bytes).unwrap_or_else(|e| panic!("{name}: {e}"));
        let raw = load(&bytes).unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(head.format, format, "{name}");
        assert_eq!(raw.source.format, Some(format), "{name}");
        assert_eq!(head.packing, packing(&bytes), "{name}");
        assert_eq!(target == "packed", head.packing.is_some(), "{name}");
        assert!(head.exact, "{name}");
        let read = raw.points.len() as u64 + raw.source.invalid_points;
        // An STL repeats corners; a heading counts as a line.
        assert!(
            head.points >= read && (head.format == Format::Stl || head.points <= read + 1),
            "{name}: {head:?}"
        );
        assert_eq!(head.has_normals, raw.normals.is_some(), "{name}");
        assert_eq!(head.unit, if format == Format::E57 { Some(LengthUnit::Metre) } else { None });
    }
}

#[test]
fn text_formats_keep_every_bit() {
    for bytes in [samples::xyz(), samples::csv(), samples::decimal_comma(), samples::pts()] {
        let raw = load(&bytes).unwrap();
        assert_eq!(raw.points, samples::points());
        let normals: Vec<Vector> = samples::normals().into_iter().map(Direction::vector).collect();
        assert_eq!(raw.normals, Some(normals));
        let named = bytes != samples::xyz() && bytes != samples::pts();
        assert_eq!(raw.source.intensity, named.then_some([0.0, 82.5]));
    }
    let raw = load(samples::obj()).unwrap();
    assert_eq!(raw.points, samples::points());
    assert_eq!(raw.normals.unwrap()[5], samples::normals()[5].vector());
    // Four triangles, two polygons of four corners, one triangle.
    assert_eq!(raw.triangles.len(), 4 + 2 + 2 + 1);
    assert_eq!(raw.triangles[4..], [[4, 5, 9], [4, 9, 8], [5, 6, 10], [5, 10, 9], [6, 7, 11]]);
}

#[test]
fn an_obj_is_read_with_all_its_kinds_of_corners() {
    let cloud = load("v 1 2 3\nv 4 5 6 1.0\nvn 0 0 2\nvn 1 0 0\n").unwrap();
    assert_eq!(rows(&cloud), [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]);
    assert_eq!(cloud.normals.unwrap()[0], Vector::new(0.0, 0.0, 2.0));
    // Faces may come first; a vertex with two normals has none.
    let text = "f 1//1 2//1 3//1\nv 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\nvn 0 0 1\nvn 1 0 0\nf 1//2 3//2 4//2\n";
    let sharp = load(format!("o part\n{text}")).unwrap();
    let normals = sharp.normals.unwrap();
    assert_eq!(normals[0], Vector::zeros());
    assert_eq!((normals[1], normals[3]), (Vector::z(), Vector::x()));
    assert!(sharp.source.notes[0].contains("2 vertices have several normals"), "{:?}", sharp.source.notes);

    let fault = |text: &str| load(text).unwrap_err();
    let triangle = "v 0 0 0\nv 1 0 0\nv 0 1 0\n";
    let line = |end: &str| match fault(&format!("{triangle}{end}\n")) {
        ReadError::BadLine { line, .. } => line,
        other => panic!("{end}: {other:?}"),
    };
    for end in [
        "f 0 1 2",
        "f 1 2 -4",
        "f a b c",
        "f 1/1/1/1 2 3",
        "f 1.5 2 3",
        "v 1 2",
        "v 1 2 3 4 5",
        "v 1 2 x",
        "surf 0 1 0 1 1 2",
        "hello",
        "f 1 2 \\",
        "f 1//1 2 3",
    ] {
        assert_eq!(line(end), 4, "{end}");
    }
    let at = Place::Line(4);
    let out = fault(&format!("{triangle}f 1 2 4\n"));
    assert_eq!(out, ReadError::IndexOutOfRange { face: 0, vertex: 3, vertices: 3, at });
    assert_eq!(fault(&format!("{triangle}f 1 2\n")), ReadError::FewCorners { face: 0, corners: 2, at });
    assert_eq!(fault("v 0 0 0\nv nan 0 0\n"), ReadError::NotFinite { vertex: 1, at: Place::Line(2) });
}

#[test]
fn layouts_of_text_are_found() {
    let found = |text: &str| load(text).unwrap_or_else(|e| panic!("{text}: {e}"));
    let want = [[1.5, 2.0, 3.0], [4.0, 5.0, 6.25]];
    for text in [
        "1.5 2 3\n4 5 6.25\n",
        "1.5\t2\t3\r\n4\t5\t6.25\r\n",
        "1.5,2,3\n4,5,6.25",
        "1.5, 2, 3\n4, 5, 6.25\n",
        "1,5 2 3\n4 5 6,25\n",
        "1,5;2;3\n4;5;6,25\n",
        "  1.5   2 3 \n\n# between\n4 5 6.25\n",
        "2\n1.5 2 3\n4 5 6.25\n",
        "\u{feff}x y z\n1.5 2 3\n4 5 6.25\n",
        "\"X\";\"Y\";\"Z\";\n1.5;2;3;\n4;5;6.25;\n",
        "// z y x\n3 2 1.5\n6.25 5 4\n",
        "name,z_mm,y_mm,x_mm\nP 1,3,2,1.5\nP 2,6.25,5,4\n",
        "X [mm] Y [mm] Z [mm]\n1.5 2 3\n4 5 6.25\n",
        "point\tX\tY\tZ\n\t1.5\t2\t3\nb\t4\t5\t6.25\n",
        "1.5e0 +2 3.\n4 5 625e-2\n",
        "\"1.5\",\"2\",\"3\"\n\"4\",\"5\",\"6.25\"\n",
        "\"1.5\" \"2\" \"3\"\n\"4\" \"5\" \"6.25\"\n",
        "name,x,y,z\n\"P, 1\",1.5,2,3\n\"P, 2\",4,5,6.25\n",
    ] {
        assert_eq!(rows(&found(text)), want, "{text:?}");
    }
    let raw = found("1 2 3 9 8\n4 5 6 7 8\n");
    assert!(raw.source.notes[0].contains("4, 5"), "{:?}", raw.source.notes);
    // Colours are no normals, and one column of twos does not make them so.
    let colours = found("5 0 0 255 0 0\n1 0 0 1 0 0\n2 0 0 0 1 0\n");
    assert_eq!(colours.normals, None);
    let normals = found(
        "5 0 0 7 0.577 0.577 0.577\n1 0 0 8 0 0 1\n2 0 0 9 0 0 0\n3 0 0 9 nan nan nan\n4 0 0 9 1 0 0\n",
    );
    assert_eq!(normals.normals.unwrap()[2..4], [Vector::zeros(), Vector::zeros()]);
}

#[test]
fn stated_layouts_count_for_more() {
    let raw = load_as("- z y x nx ny nz intensity", "a 3 2 1 0 0 9 5 x\nb 3 2 1 0 3 4 6 x\n").unwrap();
    assert_eq!(rows(&raw), [[1.0, 2.0, 3.0]; 2]);
    assert_eq!(raw.normals.unwrap()[1], Vector::new(0.0, 3.0, 4.0));
    assert_eq!(raw.source.intensity, Some([5.0, 6.0]));
    let raw = load_as("delimiter=comma", "1,5,2,5,3,5\n").unwrap();
    assert_eq!(rows(&raw), [[1.0, 5.0, 2.0]]);
    let raw = load_as("skip=3 x y z", "Made by a scanner\n1 2 3\n\n4 5 6\n").unwrap();
    assert_eq!(rows(&raw), [[4.0, 5.0, 6.0]]);
    let refused = load_as("x y z", std::str::from_utf8(&samples::ply_ascii()).unwrap()).unwrap_err();
    assert_eq!(refused, ReadError::LayoutNotNeeded { format: "PLY" });
}

#[test]
fn what_text_can_be_read_in_two_ways_is_refused_with_what_to_state() {
    let fault = |text: &str| load(text).unwrap_err();
    says(&fault("1,5,2,5,3,5\n1,5,2,5,3,6\n"), &["line 1", "decimal commas", "delimiter=comma"]);
    says(&fault("1,5;2;3\n1.5;2;3\n"), &["line 1", "line 2", "one kind"]);
    says(&fault("a b c\n1 2 3\n"), &["`a b c`", "state the columns"]);
    says(&fault("x y z nx\n1 2 3 4\n"), &["x y z nx", "all or none"]);
    says(&fault("by hand\nx y z\n1 2 3\n"), &["line 2", "skip=2"]);
    says(&fault("P1 1 2 3\nP2 2 3 4\n"), &["line 1", "- for columns to pass over"]);
    says(&fault("0 0 0 1 0 0 0 1 0\n0 0 1 1 0 0 0 1 0\n0 1 0 1 0 0 0 1 0\n"), &["both be normals"]);
    says(&load_as("x y z nx ny nz", "1 2 3\n").unwrap_err(), &["6 columns are stated", "has 3"]);
    says(&load_as("delimiter=semicolon", "1 2 3\n").unwrap_err(), &["1 columns", "semicolon"]);
    says(&load_as("skip=9", "1 2 3\n").unwrap_err(), &["no line holds points", "skip"]);
    // Numbers of the rows before the places, and colours that may be normals.
    for counted in ["1 10.0 20.0 30.0\n2 11 21 31\n3 12 22 32\n", "0,1,2,3,4\n1,2,3,4,5\n2,3,4,5,6\n"] {
        says(&fault(counted), &["first column", "- x y z"]);
    }
    assert_eq!(
        rows(&load_as("- x y z", "1 10 20 30\n2 11 21 31\n3 1 2 3\n").unwrap())[0],
        [10.0, 20.0, 30.0]
    );
    assert_eq!(rows(&load("1 10 20\n2 11 21\n3 1 2\n").unwrap())[0], [1.0, 10.0, 20.0]);
    says(&fault("5 0 0 1 0 0\n1 0 0 0 1 0\n2 0 0 0 0 1\n"), &["from 4", "colour"]);
    says(&fault("1 2 3\r4 5 6\r7 8 9\r"), &["line 1", "carriage return"]);
    // Not text, or none with points.
    says(&fault("hello world\n"), &["none of the formats"]);
    for utf16 in
        [&b"\xFF\xFE1\0 \x002\0 \x003\0\n\0"[..], b"1\0 \x002\0 \x003\0\n\0", b"\xFE\xFF\x001\0 \x002"]
    {
        assert_eq!(load(utf16).unwrap_err(), ReadError::Utf16);
    }
}

#[test]
fn a_unit_in_the_heading_is_held_against_the_stated_one() {
    use scantling_core::scan::{LengthUnit, Scan, ScanError};
    let inch = "x_in,y_in,z_in\n1,2,3\n4,5,7\n";
    let (file, stated) = (LengthUnit::Inch, LengthUnit::Millimetre);
    let refused = Scan::new(load(inch).unwrap(), stated, &quiet()).unwrap_err();
    assert_eq!(refused, ScanError::UnitInFile { file, stated });
    for (heading, unit) in [
        ("x_in,y_in,z_in", Some(LengthUnit::Inch)),
        ("X [mm],Y [mm],Z [mm]", Some(LengthUnit::Millimetre)),
        ("x (m),y (m),z (m)", Some(LengthUnit::Metre)),
        // Perhaps x as measured; and which of two.
        ("x_m,y_m,z_m", None),
        ("x_mm,y_mm,z_in", None),
        ("x,y,z", None),
    ] {
        assert_eq!(load(inch.replace("x_in,y_in,z_in", heading)).unwrap().source.unit, unit, "{heading}");
    }
}

#[test]
fn faults_in_rows_name_their_line() {
    let line = |text: &str| match load(text).unwrap_err() {
        ReadError::BadLine { line, .. } => line,
        other => panic!("{text}: {other:?}"),
    };
    assert_eq!(line("1 2 3\n4 5\n"), 2);
    assert_eq!(line("1 2 3\n4 5 6 7\n"), 2);
    assert_eq!(line("1,5;2;3\n4;5;1.5,5\n"), 2);
    assert_eq!(line("x,y,z\n1,2,3\n1,,3\n"), 3);
    assert_eq!(line("3\n1 2 3\n4 5 6\n"), 3);
    assert_eq!(load("1 2 3\n1 inf 3\n").unwrap_err(), ReadError::NotFinite { vertex: 1, at: Place::Line(2) });
    let few = Run { limits: Limits { points: 2, ..Limits::default() }, ..quiet() };
    assert!(matches!(read(b"1 2 3\n1 2 3\n1 2 3\n", &few), Err(ReadError::TooMany { what: "points", .. })));
    assert!(matches!(read(b"99\n1 2 3\n", &few), Err(ReadError::TooMany { count: 99, .. })));
    assert!(matches!(read(b"v 1 2 3\nv 1 2 3\nv 1 2 3\n", &few), Err(ReadError::TooMany { .. })));
    let e57 = samples::e57(Stored::Double);
    assert!(matches!(read(&e57, &few), Err(ReadError::TooMany { count: 30, .. })));
}

/// The points as the `e57` crate reads them, its poses applied.
fn read_by_other(bytes: &[u8]) -> Vec<Point> {
    let mut reader = E57Reader::new(Cursor::new(bytes)).unwrap();
    let mut found = Vec::new();
    for cloud in reader.pointclouds() {
        for point in reader.pointcloud_simple(&cloud).unwrap() {
            if let e57::CartesianCoordinate::Valid { x, y, z } = point.unwrap().cartesian {
                found.push(Point::new(x, y, z));
            }
        }
    }
    found
}

#[test]
fn e57_is_read_as_another_library_reads_it() {
    for (stored, within) in [
        (Stored::Double, 0.0),
        (Stored::Single, 0.0),
        (Stored::Scaled, 0.0),
        // Its sines are the C library's, ours are not.
        (Stored::Spherical, 1e-16),
    ] {
        let bytes = samples::e57(stored);
        let raw = load(&bytes).unwrap();
        let other = read_by_other(&bytes);
        assert_eq!((raw.points.len(), raw.source.scans, raw.source.invalid_points), (24, 2, 6));
        assert_eq!(raw.source.intensity, Some([0.0, 110.0]));
        for (i, (p, q)) in raw.points.iter().zip(&other).enumerate() {
            // The pose is a product of a few numbers of about one metre.
            let within = if i < 12 { within } else { 1e-15 };
            assert!((p - q).amax() <= within, "{stored:?} {i}: {p} {q}");
        }
        let normals = raw.normals.unwrap();
        // A quarter turn about z takes x to y.
        let n = samples::normals()[3].vector();
        assert!((normals[12 + 3] - Vector::new(-n.y, n.x, n.z)).amax() < 1e-7);
        // What was written, to the precision of how it was stored.
        let precision = match stored {
            Stored::Double => 0.0,
            Stored::Spherical => 1e-16,
            Stored::Single => 4e-9,
            Stored::Scaled => 5.01e-7,
        };
        for (p, written) in raw.points.iter().zip(samples::points()) {
            assert!((p.coords - written.coords / 1000.0).amax() <= precision, "{stored:?}: {p} {written}");
        }
    }
}

#[test]
fn e57_is_in_metres_and_another_unit_is_refused() {
    let bytes = samples::e57(Stored::Double);
    let raw = load(&bytes).unwrap();
    assert_eq!(raw.source.unit, Some(LengthUnit::Metre));
    let refused = Scan::new(raw.clone(), LengthUnit::Millimetre, &quiet()).unwrap_err();
    assert_eq!(refused, ScanError::UnitInFile { file: LengthUnit::Metre, stated: LengthUnit::Millimetre });
    assert_eq!(
        refused.to_string(),
        "the file's lengths are metres by its format or heading, but millimetres are stated: state metres"
    );
    let scan = Scan::new(raw, LengthUnit::Metre, &quiet()).unwrap();
    assert!((scan.points().at(1) - samples::points()[1]).norm() < 1e-12);
    let told = info(&bytes, &TextLayout::default(), Some(LengthUnit::Inch), &quiet()).unwrap();
    assert!(told.problems.iter().any(|p| p.contains("state metres")), "{:?}", told.problems);
}

#[test]
fn damage_to_an_e57_is_noticed() {
    let bytes = samples::e57(Stored::Scaled);
    // Every page has its checksum, so each changed bit is noticed wherever it lies in one that is used.
    for at in (0..bytes.len()).step_by(97) {
        let mut changed = bytes.clone();
        changed[at] ^= 4;
        assert!(load(&changed).is_err(), "byte {at}");
    }
    for length in (0..bytes.len()).step_by(61) {
        assert!(load(&bytes[..length]).is_err(), "cut to {length}");
    }
    says(&load(&bytes[..bytes.len() - 1024]).unwrap_err(), &["cut short"]);
}

#[test]
fn packed_files_hold_the_same() {
    for (_, name, bytes) in samples::all().into_iter().filter(|(target, ..)| *target != "packed") {
        let plain = load(&bytes).unwrap();
        let (gz, zip) = (samples::gzip(&bytes), samples::zip(&[("folder/", b""), ("folder/scan", &bytes)]));
        assert_eq!(load(&gz).unwrap(), plain, "{name}");
        assert_eq!(load(&zip).unwrap(), plain, "{name}");
        assert_eq!(header(&gz).unwrap().packing, Some(Packing::Gzip));
        let head = header(&zip).unwrap();
        assert_eq!(
            (head.packing, head.points),
            (Some(Packing::Zip), header(&bytes).unwrap().points),
            "{name}"
        );
    }
}

#[test]
fn a_zip_holds_one_file_to_read() {
    let (csv, ply) = (samples::csv(), samples::ply());
    let alone = samples::zip(&[("__MACOSX/._a", b"x"), ("notes", b"made on a Monday"), ("a.csv", &csv)]);
    assert!(load(&alone).is_ok());
    let two = load(samples::zip(&[("a.csv", &csv), ("b.ply", &ply)])).unwrap_err();
    says(&two, &["2 of its 2", "a.csv, b.ply"]);
    says(&load(samples::zip(&[("a", b"x"), ("b", b"y")])).unwrap_err(), &["0 of its 2", "a, b"]);
    says(&load(samples::zip(&[])).unwrap_err(), &["0 of its 0"]);
    // One file that cannot be read says why by itself.
    says(&load(samples::zip(&[("a", b"hello")])).unwrap_err(), &["none of the formats"]);
    for nested in [
        samples::gzip(&samples::gzip(&ply)),
        samples::zip(&[("a.gz", &samples::gzip(&ply))]),
        samples::gzip(&alone),
        samples::zip(&[("a.zip", &alone), ("b", b"x")]),
    ] {
        assert_eq!(load(&nested).unwrap_err(), ReadError::Nested);
        assert_eq!(header(&nested).unwrap_err(), ReadError::Nested);
    }
    let mut damaged = samples::zip(&[("a.csv", &csv)]);
    let at = damaged.windows(4).position(|w| w == b"PK\x01\x02").unwrap();
    damaged[at + 16] ^= 1;
    says(&load(&damaged).unwrap_err(), &["a.csv", "checksum"]);
    let mut locked = samples::zip(&[("a.csv", &csv)]);
    locked[at + 8] |= 1;
    says(&load(&locked).unwrap_err(), &["encrypted"]);
    let gz = samples::gzip(&csv);
    says(&load(&gz[..gz.len() - 4]).unwrap_err(), &["cut short"]);
}

#[test]
fn a_small_file_that_unpacks_to_a_huge_one_is_refused() {
    let row = "1.5 2.5 3.5\n".repeat(400_000);
    let limits = Limits { file_bytes: 100_000, ..Limits::default() };
    let few = Run { limits, ..quiet() };
    for packed in [samples::gzip(row.as_bytes()), samples::zip(&[("a.xyz", row.as_bytes())])] {
        assert!(packed.len() < 100_000, "{}", packed.len());
        assert_eq!(read(&packed, &few).unwrap_err(), ReadError::UnpacksTooLarge { limit: 100_000 });
        // The header foretells without unpacking all.
        let head = header(&packed).unwrap();
        assert!(!head.exact && (400_000..600_000).contains(&head.points), "{head:?}");
        assert_eq!(load(&packed).unwrap().points.len(), 400_000);
    }
}

#[test]
fn info_tells_what_is_in_a_file_and_what_is_wrong_with_it() {
    let told = about(&samples::ply_mesh());
    assert_eq!((told.points, told.triangles, told.normals), (12, 12, NormalsFrom::Triangles));
    // A sheet of 3 x 2 squares has 2 x (3 + 2) edges about it.
    assert_eq!((told.boundary_edges, told.crowded_edges, told.triangles_without_area), (10, 0, 0));
    assert!(told.problems.iter().any(|p| p.contains("open")), "{:?}", told.problems);
    let size = [3.0 * 10.1, 2.0 * 9.7, 0.01 * 30.3 * 30.3];
    assert!(told.box_size.iter().zip(size).all(|(a, b)| (a - b).abs() < 1e-12), "{:?}", told.box_size);

    let told = about(&samples::ply());
    assert_eq!((told.normals, told.repeated_points, told.triangles), (NormalsFrom::File, 0, 0));
    // The grid's steps are 10.1 along x, with the height on top, and 9.7 along y.
    assert!((told.spacing.unwrap() - 9.7).abs() < 1e-12);
    assert!(told.problems.is_empty(), "{:?}", told.problems);

    let told = about(&samples::csv());
    let text = told.text.unwrap();
    assert_eq!((text.delimiter, text.decimal_comma, text.skipped_lines), ("comma", false, 1));
    assert_eq!(text.columns, ["x", "y", "z", "nx", "ny", "nz", "intensity"]);

    let told = about(b"0 0 0\n900 0 0\n0 0 0\n0 10 0\n");
    assert_eq!((told.repeated_points, told.unit_suggested), (1, Some(LengthUnit::Millimetre)));
    assert!(told.problems.iter().any(|p| p.contains("repeat")), "{:?}", told.problems);
    assert!(told.problems.iter().any(|p| p.contains("neither normals")), "{:?}", told.problems);

    let metres = b"v 0 0 0\nv 1.2 0 0\nv 0 0.7 0\nv 1.2 0 0\nf 1 2 3\nf 1 2 4\n";
    let told = info(metres, &TextLayout::default(), Some(LengthUnit::Millimetre), &quiet()).unwrap();
    assert_eq!((told.triangles_without_area, told.boundary_edges), (1, 3));
    assert_eq!(told.box_size_mm, Some([1.2, 0.7, 0.0]));
    assert!(told.problems.iter().any(|p| p.contains("size suggests metres")), "{:?}", told.problems);
}

#[test]
fn sizes_that_no_part_has_are_told_and_huge_numbers_stay_short() {
    let told =
        |text: &str, unit| info(text.as_bytes(), &TextLayout::default(), Some(unit), &quiet()).unwrap();
    let says = |told: &ScanInfo, words: &str| told.problems.iter().any(|p| p.contains(words));
    let part = "0.5 0 0\n700 5 0\n300 5 8\n";
    assert!(!says(&told(part, LengthUnit::Millimetre), "check the unit"));
    let metres = told(part, LengthUnit::Metre);
    assert!(says(&metres, "longest side is 699500.000000 mm; the size suggests millimetres"), "{metres:?}");
    assert!(says(&told(part, LengthUnit::Micrometre), "longest side is 0.699500 mm"));
    // 17.8 m may be; what the size suggests is told beside it.
    let inches = told(part, LengthUnit::Inch);
    assert!(inches.notes.iter().any(|n| n.contains("size suggests millimetres")), "{inches:?}");
    let huge = told("1e301 0 0\n2e301 1 0\n3e301 0 1\n", LengthUnit::Millimetre);
    assert!(huge.problems.iter().all(|p| p.len() < 250), "{:?}", huge.problems);
    assert!(says(&huge, "3.000e301 millimetres") && !says(&huge, "all in one place"), "{huge:?}");
}
