//! Parts of STEP files as nominals: placed, mirrored, named, one inside another, beside one another, inside out.

#![allow(clippy::unwrap_used, reason = "a sample that cannot be read fails the test")]

mod step_text;

use scantling_core::geometry::{Point, Vector};
use scantling_core::nominal::{Nominal, NominalError, NominalFile, NominalFileError, Side, read};
use scantling_core::read::step::{self, EntityFault, StepError, StepFile, StepSettings};
use scantling_core::run::quiet;
use scantling_core::search::SurfaceTree;
use step_text::{StepText, volume};

const X: Vector = Vector::new(1.0, 0.0, 0.0);
const Y: Vector = Vector::new(0.0, 1.0, 0.0);
const Z: Vector = Vector::new(0.0, 0.0, 1.0);

fn nominal(text: &str) -> Nominal {
    read(text.as_bytes(), &NominalFile::default(), &quiet()).unwrap_or_else(|e| panic!("{e}"))
}

fn file(text: &str, part: Option<&str>) -> Result<StepFile, StepError> {
    let settings = StepSettings { part: part.map(str::to_owned), ..StepSettings::default() };
    step::read(&quiet(), text.as_bytes(), &settings)
}

/// The distance from the exact surface under a point, positive outside the material.
fn exact_mm(nominal: &Nominal, p: Point) -> f64 {
    let foot = SurfaceTree::new(nominal.mesh()).nearest(&p, 50.0).unwrap();
    nominal.exact_foot(&p, &foot).unwrap().distance_mm
}

/// A block of 10 x 20 x 30 mm mapped to what `targets` makes.
fn mapped(targets: impl Fn(&mut StepText) -> Vec<u64>) -> String {
    let mut s = StepText::new();
    let block = s.block(Vector::new(10.0, 20.0, 30.0));
    let block = s.product("block", &[block]);
    let targets = targets(&mut s);
    s.mapped("whole", block, &targets);
    s.file()
}

#[test]
fn a_mirrored_instance_is_mirrored_and_its_outside_stays_outside() {
    let mirror =
        |s: &mut StepText| s.operator([Some(-X), Some(Y), Some(Z)], Point::new(-5.0, 0.0, 0.0), "1.");
    let text = mapped(|s| vec![s.axes(Point::origin(), Z, X), mirror(s)]);
    let placed = file(&text, None).unwrap().placed;
    let turns: Vec<f64> = placed.iter().map(|p| p.rotation.determinant()).collect();
    assert_eq!(turns, [1.0, -1.0]);
    let both = nominal(&text);
    assert!(both.closed() && both.notes().is_empty());
    assert!((volume(&both) - 12_000.0).abs() < 1e-6, "{}", volume(&both));
    // The mirrored block lies from -15 to -5.
    for (x, far) in [(-18.0, 3.0), (-14.0, -1.0), (-3.0, 2.0), (12.0, 2.0)] {
        let got = exact_mm(&both, Point::new(x, 10.0, 15.0));
        assert!((got - far).abs() < 1e-9, "{x}: {got}");
    }
    // Alone it is mirrored as well, and not at the origin as the file has it.
    let alone = nominal(&mapped(|s| vec![mirror(s)]));
    assert!((volume(&alone) - 6000.0).abs() < 1e-6);
    assert!((exact_mm(&alone, Point::new(-18.0, 10.0, 15.0)) - 3.0).abs() < 1e-9);
}

#[test]
fn an_operator_that_only_moves_is_a_place_whatever_it_leaves_out() {
    let at = Point::new(100.0, 0.0, 0.0);
    for axes in [[Some(Y), Some(-X), Some(Z)], [Some(Y), Some(-X), None], [Some(Y), Some(-X - Y), None]] {
        for scale in ["1.", "$"] {
            let text = mapped(|s| vec![s.operator(axes, at, scale)]);
            let file = file(&text, None).unwrap();
            assert_eq!((file.placed.len(), file.notes.len()), (1, 0));
            // x becomes y, and y becomes -x.
            let put = file.placed[0].rotation * Vector::new(1.0, 2.0, 3.0) + file.placed[0].shift;
            assert!((put - Vector::new(98.0, 1.0, 3.0)).norm() < 1e-12, "{put}");
        }
    }
}

#[test]
fn a_part_that_is_scaled_where_it_is_placed_is_refused_by_name_and_never_at_the_origin() {
    let text = mapped(|s| vec![s.operator([Some(X), Some(Y), Some(Z)], Point::origin(), "2.")]);
    let error = file(&text, None).unwrap_err();
    assert!(matches!(error, StepError::Entity(EntityFault::Scaled { scale: 2.0, .. })), "{error}");
    assert!(error.to_string().contains("CARTESIAN_TRANSFORMATION_OPERATOR_3D with a scale of 2"), "{error}");
    // By itself, in its own axes, it is what it is.
    assert_eq!(file(&text, Some("block")).unwrap().placed.len(), 1);
}

#[test]
fn a_part_whose_place_cannot_be_understood_is_nowhere() {
    let text = mapped(|s| vec![s.direction(X)]);
    let error = file(&text, None).unwrap_err();
    let StepError::Entity(EntityFault::OtherKind { got, wanted, .. }) = &error else { panic!("{error}") };
    assert_eq!((got.as_str(), *wanted), ("DIRECTION", "AXIS2_PLACEMENT_3D"));
    // One of two: the other is there, and what is missing is told.
    let text = mapped(|s| vec![s.axes(Point::new(0.0, 0.0, 50.0), Z, X), s.direction(X)]);
    let file = file(&text, None).unwrap();
    assert_eq!((file.placed.len(), file.placed[0].shift.z), (1, 50.0));
    assert!(
        file.notes[0].contains("mapped item") && file.notes[0].contains("is left out"),
        "{:?}",
        file.notes
    );
    // Whether it mirrors is not told.
    let text = mapped(|s| vec![s.operator([Some(X), None, Some(-Z)], Point::origin(), "1.")]);
    let error = read(text.as_bytes(), &NominalFile::default(), &quiet()).unwrap_err();
    assert!(
        matches!(error, NominalFileError::Step(StepError::Entity(EntityFault::Senseless { .. }))),
        "{error}"
    );
}

/// A block of 40 mm, and one of 10 mm wherever it is put.
fn two(s: &mut StepText, at: Vector) -> [u64; 2] {
    let outer = s.block(Vector::new(40.0, 40.0, 40.0));
    s.shift = at;
    let inner = s.block(Vector::new(10.0, 10.0, 10.0));
    s.shift = Vector::zeros();
    [outer, inner]
}

#[test]
fn an_insert_within_a_solid_keeps_its_outside_and_a_cavity_its_inside() {
    let within = Vector::new(15.0, 15.0, 15.0);
    let mut s = StepText::new();
    let bodies = two(&mut s, within);
    s.product("bonded", &bodies);
    let bonded = nominal(&s.file());
    assert!((volume(&bonded) - 65_000.0).abs() < 1e-6, "{}", volume(&bonded));
    // A millimetre outside the insert, within the block.
    assert!((exact_mm(&bonded, Point::new(14.0, 20.0, 20.0)) - 1.0).abs() < 1e-9);
    // In two products of one assembly it is no other.
    let mut s = StepText::new();
    let [outer, inner] = two(&mut s, within);
    let (outer, inner) = (s.product("block", &[outer]), s.product("insert", &[inner]));
    let both = s.product("both", &[]);
    s.occurrence("block", both, outer, (Point::origin(), Z, X));
    s.occurrence("insert", both, inner, (Point::origin(), Z, X));
    assert!((volume(&nominal(&s.file())) - 65_000.0).abs() < 1e-6);
    // The same shells as one solid with a void.
    let mut s = StepText::new();
    let [outer, inner] = two(&mut s, within).map(|solid| solid - 1);
    let void = s.put(&format!("ORIENTED_CLOSED_SHELL('',*,#{inner},.F.)"));
    let solid = s.put(&format!("BREP_WITH_VOIDS('hollow',#{outer},(#{void}))"));
    s.product("hollow", &[solid]);
    let hollow = nominal(&s.file());
    assert!((volume(&hollow) - 63_000.0).abs() < 1e-6);
    assert!((exact_mm(&hollow, Point::new(16.0, 20.0, 20.0)) - 1.0).abs() < 1e-9);
}

/// A block of 10 x 20 x 30 mm without its face `missing`, all others facing inwards where `inwards`.
fn open_block(missing: usize, inwards: bool) -> String {
    open_block_with(missing, inwards, |_| Vec::new())
}

/// The same with more faces in its shell.
fn open_block_with(missing: usize, inwards: bool, more: impl Fn(&mut StepText) -> Vec<u64>) -> String {
    let mut s = StepText::new();
    let more = more(&mut s);
    let shell = s.block(Vector::new(10.0, 20.0, 30.0)) - 1;
    let solid = if inwards {
        let turned = s.put(&format!("ORIENTED_CLOSED_SHELL('',*,#{shell},.F.)"));
        s.put(&format!("MANIFOLD_SOLID_BREP('solid',#{turned})"))
    } else {
        shell + 1
    };
    s.product("block", &[solid]);
    let text = s.file();
    let line = text.lines().find(|l| l.contains("=CLOSED_SHELL")).unwrap();
    let faces: Vec<&str> = line.split(['(', ')']).nth(2).unwrap().split(',').collect();
    let more: Vec<String> = more.iter().map(|f| format!("#{f}")).collect();
    let mut left = faces.clone();
    left.remove(missing);
    left.extend(more.iter().map(String::as_str));
    text.replace(line, &line.replace(&faces.join(","), &left.join(",")))
}

#[test]
fn a_solid_that_lacks_a_face_has_its_outside_by_its_volume_or_says_that_it_has_none() {
    let outside = |nominal: &Nominal| exact_mm(nominal, Point::new(-1.0, 10.0, 15.0)) > 0.0;
    // Face 0 is the smallest one, of 10 by 20 mm; face 5 the largest one, of 20 by 30 mm, away from x = 0.
    let good = nominal(&open_block(0, false));
    assert!(outside(&good) && !good.closed() && good.notes().is_empty(), "{:?}", good.notes());
    let turned = nominal(&open_block(0, true));
    assert!(outside(&turned));
    assert!(turned.notes()[0].contains("point inwards in the file are turned"), "{:?}", turned.notes());
    // Too open to tell: as the file has it, with a word, or as the plan says.
    let unsure = nominal(&open_block(5, true));
    assert!(!outside(&unsure) && unsure.notes()[0].contains("side_of_material"), "{:?}", unsure.notes());
    let told = NominalFile { side: Some(Side::InFrontOfNormal), ..NominalFile::default() };
    let said = read(open_block(5, true).as_bytes(), &told, &quiet()).unwrap();
    assert!(outside(&said) && said.notes().is_empty(), "{:?}", said.notes());
}

/// The wall and the floor of a pocket hang by themselves where the face that holds it together with the rest is missing: they have no
/// volume of their own to tell by, and face as the rest of their solid does.
#[test]
fn a_pocket_that_hangs_by_itself_is_not_turned() {
    for inwards in [false, true] {
        // Without its top, from which a pocket of radius 3 goes 10 mm down.
        let pocket = |s: &mut StepText| {
            let axis = |z: f64| Point::new(5.0, 10.0, z);
            let (mouth, bottom) =
                (s.whole_circle(axis(30.0), Z, X, 3.0), s.whole_circle(axis(20.0), Z, X, 3.0));
            let (wall, floor) = (s.cylinder(axis(20.0), Z, X, 3.0), s.plane(axis(20.0), Z, X));
            // Out of the material: towards the axis, and up.
            vec![
                s.face("wall", wall, &[vec![(bottom, false)], vec![(mouth, true)]], false),
                s.face("floor", floor, &[vec![(bottom, true)]], true),
            ]
        };
        let block = open_block_with(1, inwards, pocket);
        let nominal = nominal(&block);
        let floor = nominal.faces().iter().find(|f| f.label == "floor").unwrap();
        let up = nominal.mesh().normal(floor.triangles[0]).unwrap().vector().z;
        assert!(up > 0.9, "{inwards}: {up} {:?}", nominal.notes());
        assert!(exact_mm(&nominal, Point::new(-1.0, 10.0, 15.0)) > 0.0, "{inwards}");
    }
}

/// A square sheet of 50 mm with its normal up.
fn sheet(s: &mut StepText) -> u64 {
    let corners = [(0.0, 0.0), (50.0, 0.0), (50.0, 50.0), (0.0, 50.0)].map(|(x, y)| Point::new(x, y, 0.0));
    let vertices = corners.map(|p| (s.vertex(p), p));
    let way = [0, 1, 2, 3].map(|i| (s.straight(vertices[i], vertices[(i + 1) % 4]), true));
    let plane = s.plane(Point::origin(), Z, X);
    let face = s.face("skin", plane, &[way.to_vec()], true);
    s.sheet(&[face])
}

#[test]
fn a_panel_of_surfaces_stays_though_another_part_is_solid() {
    let mut s = StepText::new();
    let skin = sheet(&mut s);
    s.shift = Vector::new(0.0, 0.0, -20.0);
    let stud = s.block(Vector::new(5.0, 5.0, 10.0));
    s.shift = Vector::zeros();
    s.product("panel", &[skin]);
    s.product("stud", &[stud]);
    let text = s.file();
    let told = NominalFile { side: Some(Side::BehindNormal), ..NominalFile::default() };
    let both = read(text.as_bytes(), &told, &quiet()).unwrap();
    assert_eq!((both.faces().len(), both.notes().len()), (7, 0));
    assert!(both.faces().iter().any(|f| f.label == "skin"));
    // Without its side the panel cannot be judged, and nobody drops it for that.
    let error = read(text.as_bytes(), &NominalFile::default(), &quiet()).unwrap_err();
    assert!(matches!(error, NominalFileError::Nominal(NominalError::SideNeeded { .. })), "{error}");
    // Beside a solid of its own part a surface is supplemental, and its part is named.
    let mut s = StepText::new();
    let (skin, block) = (sheet(&mut s), s.block(Vector::new(5.0, 5.0, 10.0)));
    s.product("bracket", &[block, skin]);
    let bracket = nominal(&s.file());
    let note =
        format!("1 surface of part `bracket` beside its solids, supplemental geometry, left out: #{skin}");
    assert_eq!((bracket.faces().len(), bracket.notes()), (6, &[note][..]));
}

#[test]
fn what_is_left_out_or_cannot_be_filled_is_named() {
    let mut s = StepText::new();
    let (block, bare) = (s.block(Vector::new(5.0, 5.0, 10.0)), s.cylinder(Point::origin(), Z, X, 4.0));
    s.product("block", &[block, bare]);
    let notes = file(&s.file(), None).unwrap().notes;
    assert_eq!(notes, [format!("left out: #{bare} (CYLINDRICAL_SURFACE) is a bare surface without a face")]);
    // Not one face can be used: the first few are told with their reasons.
    let mut s = StepText::new();
    let block = s.block(Vector::new(5.0, 5.0, 10.0));
    s.product("block", &[block]);
    let text = s.file().replace("=PLANE(", "=OFFSET_SURFACE(");
    let words = read(text.as_bytes(), &NominalFile::default(), &quiet()).unwrap_err().to_string();
    assert!(words.contains("6 could not be understood or filled, such as #"), "{words}");
    assert_eq!(words.matches("is OFFSET_SURFACE, which is not read").count(), 5, "{words}");
}
