//! STEP files as a whole: parts where assemblies place them, seams, solids of triangles, and files that ask
//! for too much.

#![allow(clippy::unwrap_used, reason = "a sample that cannot be read fails the test")]

mod step_text;

use scantling_core::geometry::{Aabb, Matrix3, Point, Vector};
use scantling_core::read::step::{EntityFault, FaceFault, StepError, StepFile, StepSettings, read};
use scantling_core::run::{Limits, Run, quiet};
use step_text::{StepText, assembly};

const X: Vector = Vector::new(1.0, 0.0, 0.0);
const Z: Vector = Vector::new(0.0, 0.0, 1.0);

fn read_text(text: &str) -> Result<StepFile, StepError> {
    read(&quiet(), text.as_bytes(), &StepSettings::default())
}

/// The corner of a block furthest from its origin, where the path puts it: by hand.
fn by_hand(path: &[&str]) -> (Point, Point) {
    let (low, high) = (Point::origin(), Point::new(10.0, 20.0, 30.0));
    let in_frame = |p: Point| match path[1] {
        "first" => Point::new(p.x + 5.0, p.y, p.z),
        // x to y, z to x, and y = z cross x to z.
        _ => Point::new(p.z, p.x + 40.0, p.y),
    };
    let in_whole = |p: Point| match path[0] {
        "upright" => Point::new(p.x, p.y, p.z + 100.0),
        // Half a turn about x.
        _ => Point::new(p.x, -p.y, -p.z - 100.0),
    };
    (in_whole(in_frame(low)), in_whole(in_frame(high)))
}

#[test]
fn parts_lie_where_their_assemblies_put_them() {
    let file = read_text(&assembly().file()).unwrap();
    assert_eq!(file.notes, Vec::<String>::new());
    let names: Vec<&str> = file.parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["block", "plate"]);
    assert!(file.parts.iter().all(|p| p.open_edges == 0 && p.bodies[0].solid));
    assert_eq!(file.placed.len(), 5);
    let mut seen = Vec::new();
    for placed in &file.placed {
        let part = &file.parts[placed.part];
        let path: Vec<&str> = placed.path.iter().map(String::as_str).collect();
        let put = |p: &Point| Point::from(placed.rotation * p.coords + placed.shift);
        let bounds = Aabb::of(&part.vertices.iter().map(put).collect::<Vec<_>>());
        let expected = if path == ["ground"] {
            assert_eq!(part.name, "plate");
            (Point::new(-50.0, 0.0, 0.0), Point::new(50.0, 50.0, 2.0))
        } else {
            assert_eq!(part.name, "block");
            by_hand(&path)
        };
        let expected = Aabb::of(&[expected.0, expected.1]);
        assert!((bounds.low - expected.low).norm() < 1e-9, "{path:?} {bounds:?}");
        assert!((bounds.high - expected.high).norm() < 1e-9, "{path:?} {bounds:?}");
        // A turn, no mirror.
        let r = placed.rotation;
        assert!((r * r.transpose() - Matrix3::identity()).norm() < 1e-12);
        assert!((r.determinant() - 1.0).abs() < 1e-12);
        seen.push(path.join("/"));
    }
    assert_eq!(seen, ["upright/first", "upright/second", "over/first", "over/second", "ground"]);
}

#[test]
fn a_part_that_is_named_comes_once_in_its_own_axes() {
    let text = assembly().file();
    let of = |name: &str| {
        let settings = StepSettings { part: Some(name.into()), ..StepSettings::default() };
        read(&quiet(), text.as_bytes(), &settings).unwrap()
    };
    // The whole has four of these.
    let block = of("block");
    assert_eq!((block.parts.len(), block.placed.len(), of("plate").placed.len()), (1, 1, 1));
    let placed = &block.placed[0];
    assert_eq!((placed.rotation, placed.shift, placed.path.len()), (Matrix3::identity(), Vector::zeros(), 0));
}

#[test]
fn assemblies_that_double_at_every_level_are_refused() {
    // 2^30 blocks in thirty levels.
    let mut s = StepText::new();
    let block = s.block(Vector::new(1.0, 1.0, 1.0));
    let mut below = s.product("block", &[block]);
    for level in 0..30 {
        let above = s.product(&format!("level {level}"), &[]);
        s.occurrence("a", above, below, (Point::origin(), Z, X));
        s.occurrence("b", above, below, (Point::new(1.0, 0.0, 0.0), Z, X));
        below = above;
    }
    let error = read_text(&s.file()).unwrap_err();
    assert_eq!(error, StepError::TooMany { what: "placed parts", limit: 100_000 });
}

#[test]
fn names_told_over_and_over_are_refused() {
    let mut s = StepText::new();
    let block = s.block(Vector::new(1.0, 1.0, 1.0));
    s.product("block", &[block]);
    let text = s.file();
    let shell = text.lines().find(|l| l.contains("CLOSED_SHELL")).unwrap();
    let faces = shell.split("(#").nth(1).unwrap().trim_end_matches("));");
    let many = vec![format!("#{faces}"); 4000].join(",");
    let text = text.replace(shell, &shell.replace(&format!("#{faces}"), &many));
    // The whole body is senseless, and there is no other.
    assert!(matches!(read_text(&text), Err(StepError::NoShape { .. })));
}

#[test]
fn limits_of_triangles_hold_while_faces_are_made() {
    let mut s = StepText::new();
    let (a, b) =
        (s.whole_circle(Point::origin(), Z, X, 1e6), s.whole_circle(Point::new(0.0, 0.0, 9.0), Z, X, 1e6));
    let tube = s.cylinder(Point::origin(), Z, X, 1e6);
    let face = s.face("tube", tube, &[vec![(a, true)], vec![(b, false)]], true);
    let body = s.sheet(&[face]);
    s.product("tube", &[body]);
    let text = s.file();
    let with = |triangles: u64| {
        let run = Run { limits: Limits { triangles, ..Limits::default() }, ..quiet() };
        read(&run, text.as_bytes(), &StepSettings::default())
    };
    // A circle of 1 km within 0.005 mm takes 31,416 chords of 2 acos(1 - 0.005 / 1e6).
    let whole = with(100_000).unwrap();
    assert_eq!(whole.parts[0].triangles.len(), 62_832);
    assert_eq!(with(62_831).unwrap_err(), StepError::TooMany { what: "points on edges", limit: 62_831 });
    // A face of more corners than any may have is its own fault.
    let error = with(62_832).unwrap().parts.remove(0).faces.remove(0).triangles.unwrap_err();
    assert!(matches!(error, FaceFault::Fill(_)), "{error}");
}

#[test]
fn a_tube_that_is_closed_by_a_seam_has_a_seam_and_two_borders() {
    let mut s = StepText::new();
    let [low, high] = [Point::new(5.0, 0.0, 0.0), Point::new(5.0, 0.0, 20.0)];
    let (v, w) = (s.vertex(low), s.vertex(high));
    let circle = |s: &mut StepText, z: f64, v: u64| {
        let c = s.circle(Point::new(0.0, 0.0, z), Z, X, 5.0);
        s.edge(v, v, c)
    };
    let (a, b) = (circle(&mut s, 0.0, v), circle(&mut s, 20.0, w));
    let seam = s.straight((v, low), (w, high));
    let tube = s.cylinder(Point::origin(), Z, X, 5.0);
    let face = s.face("tube", tube, &[vec![(a, true), (seam, true), (b, false), (seam, false)]], true);
    let body = s.sheet(&[face]);
    s.product("tube", &[body]);
    let file = read_text(&s.file()).unwrap();
    let part = &file.parts[0];
    let seams: Vec<u64> = part.edge_lines.iter().filter(|l| l.is_seam()).map(|l| l.id).collect();
    assert_eq!(seams, [seam]);
    let borders: Vec<_> = part.edge_lines.iter().filter(|l| l.is_border()).collect();
    assert_eq!(borders.iter().map(|l| l.id).collect::<Vec<_>>(), [a, b]);
    assert!(borders.iter().all(|l| l.vertices[0] == l.vertices[l.vertices.len() - 1]));
    // The rims: every open edge of the triangles, outwards the radius, into the face along the axis.
    assert_eq!(part.open_edges, borders.iter().map(|l| l.vertices.len() - 1).sum::<usize>());
    for line in borders {
        for n in 0..line.vertices.len() {
            let p = part.vertices[line.vertices[n] as usize];
            let out = line.sides[0].normals[n].unwrap().vector();
            assert!((out - Vector::new(p.x, p.y, 0.0) / 5.0).norm() < 1e-9);
            let into = line.into_face(&part.vertices, 0, n).unwrap().vector();
            assert!((into - if line.id == a { Z } else { -Z }).norm() < 1e-9, "{into}");
        }
    }
}

#[test]
fn a_solid_of_triangles_is_read_as_such_where_there_is_nothing_exact() {
    let mut s = StepText::new();
    s.unit_mm(25.4);
    let solid = s.pyramid();
    s.product("pyramid", &[solid]);
    let file = read_text(&s.file()).unwrap();
    let part = &file.parts[0];
    assert_eq!((part.name.as_str(), part.bodies.len(), part.bodies[0].solid), ("pyramid", 1, true));
    assert_eq!(part.faces.iter().map(|f| f.label.as_str()).collect::<Vec<_>>(), ["base", "front", "rest"]);
    assert!(part.faces.iter().all(|f| f.surface.is_none()));
    assert_eq!(part.faces.iter().map(|f| f.triangles.clone().unwrap().len()).collect::<Vec<_>>(), [2, 1, 3]);
    assert_eq!((part.vertices.len(), part.open_edges), (5, 0));
    let volume: f64 = part
        .triangles
        .iter()
        .map(|t| t.map(|v| part.vertices[v as usize].coords))
        .map(|[a, b, c]| a.dot(&b.cross(&c)) / 6.0)
        .sum();
    // A third of base times height, outside out, in inches.
    assert!((volume / (200.0 * 25.4 * 25.4 * 25.4) - 1.0).abs() < 1e-12, "{volume}");
}

#[test]
fn triangles_beside_an_exact_solid_are_left_out_and_that_is_told() {
    let mut s = StepText::new();
    let (block, solid) = (s.block(Vector::new(1.0, 2.0, 3.0)), s.pyramid());
    s.product("both", &[block, solid]);
    let file = read_text(&s.file()).unwrap();
    assert_eq!(file.parts[0].faces.len(), 6);
    assert_eq!(file.notes, ["1 tessellated body of `both` beside exact ones left out"]);
}

#[test]
fn a_product_of_triangles_stays_beside_an_exact_one() {
    let mut s = StepText::new();
    let block = s.block(Vector::new(1.0, 2.0, 3.0));
    s.product("block", &[block]);
    let pyramid = s.pyramid();
    s.product("pyramid", &[pyramid]);
    let file = read_text(&s.file()).unwrap();
    assert_eq!(file.notes, Vec::<String>::new());
    let faces: Vec<(&str, usize)> = file.parts.iter().map(|p| (p.name.as_str(), p.faces.len())).collect();
    assert_eq!(faces, [("block", 6), ("pyramid", 3)]);
}

/// Two blocks in a frame, their occurrences as they are to stand in the file.
fn two_in_a_frame() -> String {
    let mut s = StepText::new();
    let block = s.block(Vector::new(1.0, 2.0, 3.0));
    let block = s.product("block", &[block]);
    let frame = s.product("frame", &[]);
    s.occurrence("a", frame, block, (Point::origin(), Z, X));
    s.occurrence("b", frame, block, (Point::new(9.0, 0.0, 0.0), Z, X));
    s.file()
}

#[test]
fn what_is_somewhere_without_its_place_is_left_out_and_told() {
    let whole = two_in_a_frame();
    assert_eq!(read_text(&whole).unwrap().placed.len(), 2);
    let places: Vec<&str> =
        whole.lines().filter(|l| l.contains("CONTEXT_DEPENDENT_SHAPE_REPRESENTATION")).collect();
    let without = |n: usize| {
        let mut text = whole.clone();
        places.iter().take(n).for_each(|line| text = text.replace(&format!("{line}\n"), ""));
        read_text(&text)
    };
    let one = without(1).unwrap();
    assert_eq!((one.placed.len(), one.placed[0].path.as_slice()), (1, &["b".to_owned()][..]));
    assert!(
        matches!(one.notes.as_slice(), [n] if n.ends_with("the file tells no place of it")),
        "{:?}",
        one.notes
    );
    // Where no place is known at all there is nothing to measure against.
    let error = without(2).unwrap_err();
    assert!(matches!(error, StepError::Entity(EntityFault::Nowhere { .. })), "{error}");
    // An occurrence of another kind: its part does not lie at the origin.
    let other = whole.replace("NEXT_ASSEMBLY_USAGE_OCCURRENCE", "SPECIFIED_HIGHER_USAGE_OCCURRENCE");
    assert!(matches!(read_text(&other), Err(StepError::Entity(EntityFault::OtherKind { .. }))));
    // A plain property in the place of a shape's says the same.
    let usages: Vec<&str> = whole.lines().filter(|l| l.contains("NEXT_ASSEMBLY")).collect();
    let mut plain = whole.clone();
    for usage in usages {
        let id = usage.split('=').next().unwrap();
        plain = plain.replace(
            &format!("PRODUCT_DEFINITION_SHAPE('','',{id})"),
            &format!("PROPERTY_DEFINITION('','',{id})"),
        );
    }
    assert_ne!(plain, whole);
    assert_eq!(read_text(&plain).unwrap().placed.len(), 2);
}

#[test]
fn a_part_under_one_product_without_a_place_keeps_its_own_axes() {
    let mut s = StepText::new();
    let block = s.block(Vector::new(1.0, 2.0, 3.0));
    let block = s.product("block", &[block]);
    let frame = s.product("frame", &[]);
    s.occurrence("a", frame, block, (Point::origin(), Z, X));
    let text = s.file();
    let place = text.lines().find(|l| l.contains("CONTEXT_DEPENDENT_SHAPE_REPRESENTATION")).unwrap();
    let file = read_text(&text.replace(&format!("{place}\n"), "")).unwrap();
    assert_eq!(file.placed.len(), 1);
    assert_eq!((file.placed[0].rotation, file.placed[0].shift), (Matrix3::identity(), Vector::zeros()));
    assert!(matches!(file.notes.as_slice(), [n] if n.ends_with("taken in its own axes")), "{:?}", file.notes);
}

#[test]
fn a_part_placed_in_itself_has_no_place() {
    let mut s = StepText::new();
    let block = s.block(Vector::new(1.0, 2.0, 3.0));
    let block = s.product("block", &[block]);
    s.occurrence("a", block, block, (Point::origin(), Z, X));
    assert_eq!(read_text(&s.file()).unwrap_err(), StepError::Circle);
}

#[test]
fn an_occurrence_told_both_ways_is_one() {
    let mut s = StepText::new();
    let block = s.block(Vector::new(1.0, 2.0, 3.0));
    let block = s.product("block", &[block]);
    let targets = [0.0, 9.0].map(|x| s.axes(Point::new(x, 0.0, 0.0), Z, X));
    let frame = s.mapped("frame", block, &targets);
    assert_eq!(read_text(&s.file()).unwrap().placed.len(), 2);
    // The same two places by occurrences, and a third that only these tell.
    for x in [0.0, 9.0, 20.0] {
        s.occurrence("again", frame, block, (Point::new(x, 0.0, 0.0), Z, X));
    }
    let file = read_text(&s.file()).unwrap();
    let mut shifts: Vec<f64> = file.placed.iter().map(|p| p.shift.x).collect();
    shifts.sort_by(f64::total_cmp);
    assert_eq!((shifts.as_slice(), file.notes.len()), (&[0.0, 9.0, 20.0][..], 0));
}

#[test]
fn a_triangulated_face_that_makes_no_sense_is_told_by_its_id() {
    let mut s = StepText::new();
    let solid = s.pyramid();
    s.product("pyramid", &[solid]);
    let whole = s.file();
    for (from, to) in [
        ("((1,2,3)))", "((1,2,4)))"),
        ("((1,2,3)))", "((1,2,0)))"),
        ("((1,2,3)))", "((1,2)))"),
        ("((1,2,3)))", "((1,2,3.5)))"),
        ("(1,2,5),", "(1,2,-9223372036854775808),"),
    ] {
        let file = read_text(&whole.replace(from, to)).unwrap();
        let part = &file.parts[0];
        let fault = part.faces[1].triangles.clone().unwrap_err();
        assert!(matches!(fault, FaceFault::Entity(EntityFault::Senseless { .. })), "{to}: {fault}");
        assert_eq!((part.faces[0].triangles.is_ok(), part.open_edges), (true, 3));
    }
    let file = read_text(&whole.replace("=TRIANGULATED_FACE", "=CUBIC_BEZIER_TRIANGULATED_FACE")).unwrap();
    let fault = file.parts[0].faces[1].triangles.clone().unwrap_err();
    assert!(matches!(fault, FaceFault::Entity(EntityFault::NotServed { .. })), "{fault}");
}
