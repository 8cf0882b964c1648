//! A nominal from a STEP file: its faces by their numbers, exact distances, features found again in another export.
//!
//! `data/step/block.step` is of our own making: a block of 40 x 30 x 20 mm with a hole of radius 5 mm along z through
//! (15, 12); the bottom is #1100, the top #1101, the sides #1102 to #1105, the wall of the hole #1106.

#![allow(clippy::unwrap_used, reason = "a check stops where something is not as told")]

use scantling_core::geometry::{Direction, Point, Vector, math};
use scantling_core::nominal::{
    Carrier, Exactness, FaceChange, Fingerprint, Nominal, NominalError, NominalFile, NominalFileError, Side,
    SurfaceKind, compare, read,
};
use scantling_core::plan::{FaceMap, Fault, Situation, bind, bind_each, changes, check_toml};
use scantling_core::read::RawScan;
use scantling_core::run::{Limits, Run, quiet};
use scantling_core::scan::LengthUnit;
use scantling_core::search::SurfaceTree;

const BLOCK: &str = include_str!("data/step/block.step");

fn nominal(text: &str) -> Nominal {
    read(text.as_bytes(), &NominalFile::default(), &quiet()).unwrap()
}

/// The same part exported anew: every number is another, in another order, and the hole lies `x_mm` further along x.
fn again(x_mm: f64) -> String {
    let mut text = String::new();
    for line in BLOCK.lines() {
        let mut rest = line;
        while let Some(at) = rest.find('#') {
            let digits = rest[at + 1..].chars().take_while(char::is_ascii_digit).count();
            text.push_str(&rest[..at]);
            let id: u64 = rest[at + 1..at + 1 + digits].parse().unwrap();
            text.push_str(&format!("#{}", 9000 - id));
            rest = &rest[at + 1 + digits..];
        }
        text.push_str(rest);
        text.push('\n');
    }
    let (centre, start) = (15.0 + x_mm, 20.0 + x_mm);
    text.replace("(15.0,12.0,", &format!("({centre:?},12.0,"))
        .replace("(20.0,12.0,", &format!("({start:?},12.0,"))
}

fn plan(features: &str) -> String {
    format!(
        r#"
schema_version = 1
part = "block-1"
drawing_revision = "A"
plan_version = 1
length_unit = "mm"
object = "part"
standard = {{ system = "iso", edition = "ISO 1101:2017" }}
decision = {{ proven = {{}} }}
filter = {{ gaussian = {{ nesting_index_mm = 2.5 }} }}
[nominal]
file = "block.step"
{features}
[[characteristic]]
number = "1"
feature = "H"
diameter = {{ nominal_mm = 10.0, upper_deviation_mm = 0.1, lower_deviation_mm = 0.0, size = "least_squares" }}
"#
    )
}

fn bound(features: &str, nominal: &Nominal) -> Result<FaceMap, Vec<Fault>> {
    let (_, plan) = check_toml(&plan(features)).unwrap_or_else(|faults| panic!("{faults:?}"));
    bind(&plan, Some(nominal))
}

#[test]
fn every_face_is_there_by_its_number_with_its_exact_surface() {
    let block = nominal(BLOCK);
    assert!(block.closed() && block.missing().is_empty());
    let mut keys: Vec<String> = block.faces().iter().map(|f| f.key.unwrap().to_string()).collect();
    keys.sort();
    assert_eq!(keys, ["#1100", "#1101", "#1102", "#1103", "#1104", "#1105", "#1106"]);
    let top = &block.faces()[block.faces_of(1101)[0] as usize];
    assert_eq!(top.label, "side");
    let Some(Carrier::Plane { point, normal }) = top.carrier else { panic!("{:?}", top.carrier) };
    assert!((point.z - 20.0).abs() < 1e-12 && normal.angle_to(Direction::Z) < 1e-12);
    let wall = &block.faces()[block.faces_of(1106)[0] as usize];
    let Some(Carrier::Cylinder { point, axis, radius_mm, hollow }) = wall.carrier else { panic!() };
    assert!(hollow && (radius_mm - 5.0).abs() < 1e-12 && axis.vector().z.abs() > 1.0 - 1e-12);
    assert!((point - Point::new(15.0, 12.0, point.z)).norm() < 1e-12);
    assert_eq!(wall.exact.as_ref().unwrap().exactness(), Exactness::Analytic);
    // 2 pi r h, less what triangles at 0.01 mm lose.
    assert!((wall.area_mm2 / (std::f64::consts::TAU * 5.0 * 20.0) - 1.0).abs() < 2e-3, "{}", wall.area_mm2);
    assert_eq!(wall.neighbours.len(), 2);
}

#[test]
fn distances_are_those_of_the_surface_and_not_of_its_triangles() {
    let block = nominal(BLOCK);
    let tree = SurfaceTree::new(block.mesh());
    let mut off_the_mesh = 0.0f64;
    for i in 0..400 {
        let angle = f64::from(i) * 0.0157;
        let (radius, z) = (4.6 + 0.001 * f64::from(i), 2.0 + 0.04 * f64::from(i));
        let p = Point::new(15.0 + radius * math::cos(angle), 12.0 + radius * math::sin(angle), z);
        let foot = tree.nearest(&p, 5.0).unwrap();
        let exact = block.exact_foot(&p, &foot).unwrap();
        // Inside the hole is outside the material.
        assert!((exact.distance_mm - (5.0 - radius)).abs() < 1e-9, "{i}: {}", exact.distance_mm);
        off_the_mesh = off_the_mesh.max((foot.distance - (5.0 - radius).abs()).abs());
    }
    assert!(off_the_mesh > 0.004, "the triangles of this file leave their surface: {off_the_mesh}");
    // Beyond the rim of a face its plane goes on and the part does not.
    let beside = Point::new(43.0, 15.0, 20.0);
    let foot = tree.nearest(&beside, 5.0).unwrap();
    assert!((foot.distance - 3.0).abs() < 1e-9);
    let exact = block.exact_foot(&beside, &foot);
    assert!(exact.is_none_or(|e| (e.distance_mm - 3.0).abs() < 1e-9), "{exact:?}");
}

/// The block placed twice: turned by a quarter about z and shifted, and as it is, by transformations of occurrences.
fn twice() -> String {
    BLOCK.replace(
        "ENDSEC;\nEND-ISO-10303-21;",
        "#3000=PRODUCT('frame','frame','',());\n#3001=PRODUCT_DEFINITION_FORMATION('','',#3000);\n\
         #3002=PRODUCT_DEFINITION('','',#3001,$);\n#3003=PRODUCT_DEFINITION_SHAPE('','',#3002);\n\
         #3004=SHAPE_DEFINITION_REPRESENTATION(#3003,#3005);\n\
         #3005=SHAPE_REPRESENTATION('',(#3006,#3012),#1003);\n\
         #3006=AXIS2_PLACEMENT_3D('',#3007,#3008,#3009);\n#3007=CARTESIAN_POINT('',(100.,0.,7.));\n\
         #3008=DIRECTION('',(0.,0.,1.));\n#3009=DIRECTION('',(0.,1.,0.));\n\
         #3012=AXIS2_PLACEMENT_3D('',#3013,$,$);\n#3013=CARTESIAN_POINT('',(0.,0.,0.));\n\
         #3020=NEXT_ASSEMBLY_USAGE_OCCURRENCE('1','left','',#3002,#1022,$);\n\
         #3021=PRODUCT_DEFINITION_SHAPE('','',#3020);\n\
         #3022=CONTEXT_DEPENDENT_SHAPE_REPRESENTATION(#3023,#3021);\n\
         #3023=(REPRESENTATION_RELATIONSHIP('','',#1002,#3005)\
         REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION(#3024)SHAPE_REPRESENTATION_RELATIONSHIP());\n\
         #3024=ITEM_DEFINED_TRANSFORMATION('','',#1010,#3006);\n\
         #3030=NEXT_ASSEMBLY_USAGE_OCCURRENCE('2','right','',#3002,#1022,$);\n\
         #3031=PRODUCT_DEFINITION_SHAPE('','',#3030);\n\
         #3032=CONTEXT_DEPENDENT_SHAPE_REPRESENTATION(#3033,#3031);\n\
         #3033=(REPRESENTATION_RELATIONSHIP('','',#1002,#3005)\
         REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION(#3034)SHAPE_REPRESENTATION_RELATIONSHIP());\n\
         #3034=ITEM_DEFINED_TRANSFORMATION('','',#1010,#3012);\nENDSEC;\nEND-ISO-10303-21;",
    )
}

#[test]
fn a_placed_part_lies_where_the_file_puts_it() {
    let both = nominal(&twice());
    assert_eq!(both.faces().len(), 14);
    let walls = both.faces_of(1106);
    assert_eq!(walls.len(), 2);
    // By hand: x' = 100 - y, y' = x, z' = z + 7 takes (15, 12) to (88, 15).
    let axis_at = |face: u32| match both.faces()[face as usize].carrier {
        Some(Carrier::Cylinder { point, .. }) => Point::new(point.x, point.y, 0.0),
        ref other => panic!("{other:?}"),
    };
    let mut found: Vec<Point> = walls.iter().map(|&f| axis_at(f)).collect();
    found.sort_by(|a, b| b.x.total_cmp(&a.x));
    assert!((found[0] - Point::new(88.0, 15.0, 0.0)).norm() < 1e-9, "{found:?}");
    assert!((found[1] - Point::new(15.0, 12.0, 0.0)).norm() < 1e-9, "{found:?}");
    let tree = SurfaceTree::new(both.mesh());
    let p = Point::new(88.0 + 4.9, 15.0, 12.0);
    let foot = tree.nearest(&p, 5.0).unwrap();
    let exact = both.exact_foot(&p, &foot).unwrap();
    assert!((exact.distance_mm - 0.1).abs() < 1e-9);
    assert!((exact.point - Point::new(93.0, 15.0, 12.0)).norm() < 1e-9);
    assert!((exact.normal.vector() + Vector::x()).norm() < 1e-9);
    // One of them by name of its instance.
    let map = bound("[[feature]]\nid = \"H\"\nkind = \"hole\"\nface = \"#1106/1\"", &both).unwrap();
    assert!(
        matches!(map.features[0].situation, Situation::Hole { diameter_mm: Some(d), .. } if (d - 10.0).abs() < 1e-9)
    );
    let faults = bound("[[feature]]\nid = \"H\"\nkind = \"hole\"\nface = \"#1106/2\"", &both).unwrap_err();
    assert!(faults[0].problem.contains("2 times only"), "{}", faults[0].problem);
}

#[test]
fn a_feature_is_named_by_its_faces() {
    let block = nominal(BLOCK);
    let map = bound(
        "[[feature]]\nid = \"H\"\nkind = \"hole\"\nface = \"#1106\"\n[[feature]]\nid = \"A\"\nkind = \"plane\"\nface = \"#1101\"\n\
         [[feature]]\nid = \"S\"\nkind = \"surface\"\nface = \"#1102 #1104\"",
        &block,
    )
    .unwrap();
    let Situation::Hole { at, .. } = map.features[0].situation else { panic!() };
    assert!((at - Point::new(15.0, 12.0, 10.0)).norm() < 1e-9);
    assert!((map.features[1].area_mm2 - (1200.0 - 25.0 * std::f64::consts::PI)).abs() < 0.2);
    // 40 x 20 and 30 x 20.
    assert!((map.features[2].area_mm2 - 1400.0).abs() < 1e-6);
    assert!(map.remarks.is_empty());
    for (feature, says) in [
        ("kind = \"plane\"\nface = \"#1106\"", "#1106 is no plane"),
        ("kind = \"hole\"\nface = \"#1101\"", "is no hole"),
        ("kind = \"plane\"\nface = \"#7\"", "no face #7"),
        ("kind = \"plane\"\nface = \"#1100 #1101\"", "does not lie in one plane"),
    ] {
        let good = "[[feature]]\nid = \"H\"\nkind = \"hole\"\nface = \"#1106\"";
        let faults = bound(&format!("{good}\n[[feature]]\nid = \"X\"\n{feature}"), &block).unwrap_err();
        assert!(faults[0].problem.contains(says), "{feature}: {}", faults[0].problem);
        assert_eq!(faults[0].place, "feature[1].face");
    }
}

#[test]
fn faces_of_a_new_export_are_found_by_what_they_are_known_by() {
    let block = nominal(BLOCK);
    let print = Fingerprint::of(&block, block.faces_of(1106)[0]);
    assert_eq!((print.kind, print.size), (SurfaceKind::Cylinder, Some(10.0)));
    let feature = format!(
        "[[feature]]\nid = \"H\"\nkind = \"hole\"\nface = \"#1106\"\nfingerprint = [{{ surface = \"cylinder\", area_mm2 = {:.2}, \
         centroid_mm = [15.0, 12.0, 10.0], diameter_mm = 10.0 }}]",
        print.area_mm2
    );
    assert!(bound(&feature, &block).unwrap().remarks.is_empty());
    let map = bound(&feature, &nominal(&again(0.0))).unwrap();
    assert!(map.remarks[0].contains("#1106 is now #7894"), "{:?}", map.remarks);
    assert!((map.features[0].centroid - Point::new(15.0, 12.0, 10.0)).norm() < 1e-3);
    // Moved by three millimetres it is another hole: nothing moves silently.
    let faults = bound(&feature, &nominal(&again(3.0))).unwrap_err();
    let says = &faults[0].problem;
    assert!(says.contains("most like it is #7894") && says.contains("3.000 mm away"), "{says}");
}

/// One feature that is lost hides nothing of the others.
#[test]
fn features_that_are_found_are_kept_beside_the_fault_of_one_that_is_not() {
    let block = nominal(BLOCK);
    let text = "[[feature]]\nid = \"C\"\nkind = \"plane\"\npick = { near_mm = [0.0, 15.0, 10.0] }\n[[feature]]\nid = \"H\"\n\
                kind = \"hole\"\npick = { near_mm = [15.0, 12.0, 10.0] }";
    let (_, plan) = check_toml(&plan(text)).unwrap_or_else(|faults| panic!("{faults:?}"));
    let whole = bind_each(&plan, Some(&block));
    assert!(whole.faults.is_empty());
    let map = bind(&plan, Some(&block)).unwrap();
    assert_eq!(whole.lies(Some(&block)), map.lies(Some(&block)));
    // A face's hole away: the side is still there.
    let far = nominal(&again(18.0));
    let part = bind_each(&plan, Some(&far));
    assert_eq!(part.faults, bind(&plan, Some(&far)).unwrap_err());
    assert!(part.faults.len() == 1 && part.faults[0].place == "feature[1].pick", "{:?}", part.faults);
    let found = part.lies(Some(&far));
    assert!(found.len() == 1 && changes(&map.lies(Some(&block))[..1], &found).is_empty(), "{found:?}");
}

/// The block whose hole has a wall of two halves, #1107 at the greater y and #1108, as some programs write every round face.
fn halved() -> String {
    let more = "#3001=CARTESIAN_POINT('',(10.0,12.0,0.0));\n#3002=VERTEX_POINT('',#3001);\n\
        #3003=CARTESIAN_POINT('',(10.0,12.0,20.0));\n#3004=VERTEX_POINT('',#3003);\n#3005=VECTOR('',#2077,1.0);\n\
        #3006=LINE('',#2082,#3005);\n#3007=LINE('',#3001,#3005);\n#3008=EDGE_CURVE('',#2083,#2089,#3006,.T.);\n\
        #3009=EDGE_CURVE('',#3002,#3004,#3007,.T.);\n#3010=EDGE_CURVE('',#3002,#2083,#2081,.T.);\n\
        #3011=EDGE_CURVE('',#3004,#2089,#2087,.T.);\n#3012=ORIENTED_EDGE('',*,*,#3010,.T.);\n\
        #3013=ORIENTED_EDGE('',*,*,#3011,.F.);\n\
        #3020=ORIENTED_EDGE('',*,*,#2084,.F.);\n#3021=ORIENTED_EDGE('',*,*,#3008,.T.);\n\
        #3022=ORIENTED_EDGE('',*,*,#2090,.T.);\n#3023=ORIENTED_EDGE('',*,*,#3009,.F.);\n\
        #3024=EDGE_LOOP('',(#3020,#3021,#3022,#3023));\n#3025=FACE_BOUND('',#3024,.T.);\n\
        #1107=ADVANCED_FACE('',(#3025),#2163,.F.);\n\
        #3030=ORIENTED_EDGE('',*,*,#3010,.F.);\n#3031=ORIENTED_EDGE('',*,*,#3009,.T.);\n\
        #3032=ORIENTED_EDGE('',*,*,#3011,.T.);\n#3033=ORIENTED_EDGE('',*,*,#3008,.F.);\n\
        #3034=EDGE_LOOP('',(#3030,#3031,#3032,#3033));\n#3035=FACE_BOUND('',#3034,.T.);\n\
        #1108=ADVANCED_FACE('',(#3035),#2163,.F.);\n#1000=";
    let text = BLOCK
        .replace("#2083,#2083,#2081", "#2083,#3002,#2081")
        .replace("#2089,#2089,#2087", "#2089,#3004,#2087")
        .replace("('',(#2097))", "('',(#2097,#3012))")
        .replace("('',(#2110))", "('',(#2110,#3013))")
        .replace(",#1106));", ",#1107,#1108));")
        .replace("#1000=", more);
    text.lines().filter(|l| !l.starts_with("#1106=")).map(|l| format!("{l}\n")).collect()
}

#[test]
fn a_round_face_in_halves_is_the_whole_one_and_the_other_way_round() {
    let (whole, halves) = (nominal(BLOCK), nominal(&halved()));
    assert!(halves.closed() && halves.missing().is_empty() && halves.faces().len() == 8);
    let print = |n: &Nominal, id: u64| {
        let p = Fingerprint::of(n, n.faces_of(id)[0]);
        let c = p.centroid;
        format!(
            "{{ surface = \"cylinder\", area_mm2 = {:.2}, centroid_mm = [{:.4}, {:.4}, {:.4}], diameter_mm = 10.0 }}",
            p.area_mm2, c.x, c.y, c.z
        )
    };
    let hole = |faces: &str, prints: &[String]| {
        format!(
            "[[feature]]\nid = \"H\"\nkind = \"hole\"\nface = \"{faces}\"\nfingerprint = [{}]",
            prints.join(", ")
        )
    };
    let of_whole = hole("#1106", &[print(&whole, 1106)]);
    let of_halves = hole("#1107 #1108", &[print(&halves, 1107), print(&halves, 1108)]);
    for (feature, there, elsewhere, says) in [
        (&of_whole, &whole, &halves, "#1106 is now #1107 and #1108"),
        (&of_halves, &halves, &whole, "#1107 and #1108 are now #1106 together"),
    ] {
        assert!(bound(feature, there).unwrap().remarks.is_empty());
        let map = bound(feature, elsewhere).unwrap();
        assert!(matches!(map.remarks.as_slice(), [r] if r.contains(says)), "{:?}", map.remarks);
        assert!((map.features[0].area_mm2 / (std::f64::consts::TAU * 100.0) - 1.0).abs() < 3e-3);
    }
    // A hole of another diameter in halves is another hole.
    let wider = halved().replace("#2080,5.0)", "#2080,5.5)").replace("#2086,5.0)", "#2086,5.5)");
    let wider = wider.replace("(20.0,12.0,", "(20.5,12.0,").replace("(10.0,12.0,", "(9.5,12.0,");
    let faults = bound(&of_whole, &nominal(&wider)).unwrap_err();
    assert!(faults[0].problem.contains("no face of the nominal is a cylinder"), "{}", faults[0].problem);
    // One that cannot be taken from the file is not gone.
    let broken = BLOCK.replace("CYLINDRICAL_SURFACE('',", "CYLINDRICAL_SURFACE('x',$,");
    let faults = bound(&of_whole, &nominal(&broken)).unwrap_err();
    assert!(faults[0].problem.contains("could not be taken from the file"), "{}", faults[0].problem);
}

/// Edges that lie off the surface that they bound: the file contradicts itself, and that is told.
#[test]
fn a_boundary_that_lies_off_its_surface_is_told() {
    assert!(nominal(BLOCK).notes().is_empty());
    let off = nominal(&BLOCK.replace("#2080,5.0);\n#1106", "#2080,4.85);\n#1106"));
    assert!(
        matches!(off.notes(), [n] if n.contains("up to 0.150 mm off") && n.ends_with("#1106")),
        "{:?}",
        off.notes()
    );
}

#[test]
fn two_revisions_are_compared_face_by_face() {
    let (old, new) = (nominal(BLOCK), nominal(&again(3.0)));
    let changes = compare(&old, &new);
    let key = |n: &Nominal, f: u32| n.faces()[f as usize].key.unwrap().id;
    let mut same = 0;
    for change in &changes {
        match *change {
            FaceChange::Same(i, j) => {
                same += 1;
                assert_eq!(key(&old, i) + key(&new, j), 9000);
            }
            FaceChange::Moved(i, j, apart_mm) if key(&old, i) == 1106 => {
                assert_eq!(key(&new, j), 7894);
                assert!((apart_mm - 3.0).abs() < 1e-6);
            }
            // The hole is cut out of top and bottom: their centroids move by 3 x 78.54 / 1121.46 mm, and the planes do not.
            FaceChange::Altered(i, j) => {
                assert!([1100, 1101].contains(&key(&old, i)));
                let [a, b] = [(&old, i), (&new, j)].map(|(n, f)| n.faces()[f as usize].centroid);
                assert!(((a - b).norm() - 3.0 * 78.54 / 1121.46).abs() < 2e-3 && (a.z - b.z).abs() < 1e-9);
            }
            other => panic!("{other:?}"),
        }
    }
    assert_eq!((same, changes.len()), (4, 7));
    assert!(compare(&old, &old).iter().all(|c| matches!(c, FaceChange::Same(i, j) if i == j)));
    // By less than a plan's fingerprint forgives, and more than features are told by.
    let near = nominal(&again(0.04));
    let moved: Vec<FaceChange> =
        compare(&old, &near).into_iter().filter(|c| !matches!(c, FaceChange::Same(..))).collect();
    assert!(
        matches!(moved[..], [FaceChange::Moved(i, _, by)] if key(&old, i) == 1106 && (by - 0.04).abs() < 1e-6),
        "{moved:?}"
    );
    // Without the hole's wall its face is gone, and comes anew the other way round.
    let open = nominal(&BLOCK.replace(",#1106));", "));"));
    assert!(compare(&old, &open).iter().any(|c| matches!(c, FaceChange::Gone(f) if key(&old, *f) == 1106)));
    assert!(compare(&open, &old).iter().any(|c| matches!(c, FaceChange::New(f) if key(&old, *f) == 1106)));
}

#[test]
fn parts_placed_too_often_are_refused_before_they_are_copied() {
    let limits = Limits { triangles: 500, ..Limits::default() };
    let run = Run { limits, ..quiet() };
    // The block has 300 triangles: once is within the limit, twice is not.
    let once = read(BLOCK.as_bytes(), &NominalFile::default(), &run).unwrap();
    assert!(once.mesh().triangles().len() < 500);
    let refused = read(twice().as_bytes(), &NominalFile::default(), &run).unwrap_err();
    assert_eq!(refused, NominalFileError::Nominal(NominalError::TooMany { limit: 500 }));
}

#[test]
fn what_a_file_is_not_is_said() {
    let ask = |text: &str, told: NominalFile| read(text.as_bytes(), &told, &quiet()).unwrap_err();
    let unit = Some(LengthUnit::Millimetre);
    assert_eq!(ask(BLOCK, NominalFile { unit, ..NominalFile::default() }), NominalFileError::UnitInFile);
    let stl = "solid a\nfacet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\nendloop\nendfacet\nendsolid a\n";
    assert_eq!(ask(stl, NominalFile::default()), NominalFileError::UnitNeeded);
    // What is none of the formats is not asked for a unit.
    let utf16: Vec<u8> = BLOCK.encode_utf16().flat_map(u16::to_le_bytes).collect();
    let marked = [&b"\xFF\xFE"[..], &utf16].concat();
    for (bytes, what) in [
        (&b""[..], "empty"),
        (&b" \n"[..], "empty"),
        (&utf16[..], "UTF-16"),
        (&marked[..], "UTF-16"),
        (&b"\xEF\xBB\xBF<?xml version=\"1.0\"?><uos/>"[..], "XML"),
        (&b"\x7FELF\x02\x01\x01\0\0\0\0"[..], "known"),
    ] {
        let words = read(bytes, &NominalFile::default(), &quiet()).unwrap_err().to_string();
        assert!(words.contains(what) && words.contains("no STEP, STL, PLY or OBJ"), "{words}");
    }
    let part = Some("lid".to_owned());
    assert_eq!(
        ask(stl, NominalFile { unit, part: part.clone(), ..NominalFile::default() }),
        NominalFileError::NoParts
    );
    let words = ask(BLOCK, NominalFile { part, ..NominalFile::default() }).to_string();
    assert!(words.contains("lid") && words.contains("`block`") || words.contains("has block"), "{words}");
    // A face that cannot be understood is told and the others live.
    let broken = BLOCK.replace("CYLINDRICAL_SURFACE('',", "CYLINDRICAL_SURFACE('x',$,");
    let block = nominal(&broken);
    assert_eq!(block.missing().iter().map(|m| m.0).collect::<Vec<_>>(), [1106]);
    assert!(!block.closed() && block.faces().len() == 6);
    let faults = bound("[[feature]]\nid = \"H\"\nkind = \"hole\"\nface = \"#1106\"", &block).unwrap_err();
    assert!(faults[0].problem.contains("could not be taken from the file"), "{}", faults[0].problem);
    // Surfaces without a solid need their side, as any open sheet.
    let sheet = BLOCK
        .replace("MANIFOLD_SOLID_BREP('body',#1000)", "SHELL_BASED_SURFACE_MODEL('sheet',(#1000))")
        .replace(
            "CLOSED_SHELL('',(#1100,#1101,#1102,#1103,#1104,#1105,#1106))",
            "OPEN_SHELL('',(#1101,#1102))",
        );
    assert!(matches!(
        ask(&sheet, NominalFile::default()),
        NominalFileError::Nominal(NominalError::SideNeeded { .. })
    ));
    let other = NominalFile { side: Some(Side::InFrontOfNormal), ..NominalFile::default() };
    let turned = read(sheet.as_bytes(), &other, &quiet()).unwrap();
    let top = &turned.faces()[turned.faces_of(1101)[0] as usize];
    let Some(Carrier::Plane { normal, .. }) = top.carrier else { panic!() };
    assert!((normal.vector() + Vector::z()).norm() < 1e-12);
    let p = Point::new(30.0, 15.0, 20.5);
    let foot = SurfaceTree::new(turned.mesh()).nearest(&p, 5.0).unwrap();
    assert!((turned.exact_foot(&p, &foot).unwrap().distance_mm + 0.5).abs() < 1e-9);
}

/// A block of 40 x 30 x 20 mm whose top rises by so much along its 40 mm, about its middle.
fn tilted(rise_mm: f64) -> Nominal {
    let corner = |i: usize| {
        let x = if i & 1 == 0 { 0.0 } else { 40.0 };
        let y = if i & 2 == 0 { 0.0 } else { 30.0 };
        let z = if i & 4 == 0 { 0.0 } else { 20.0 + rise_mm * (x / 40.0 - 0.5) };
        Point::new(x, y, z)
    };
    let sides = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let triangles = sides.iter().flat_map(|&[a, b, c, d]| [[a, b, c], [a, c, d]]).collect();
    let raw = RawScan { points: (0..8).map(corner).collect(), triangles, ..RawScan::default() };
    Nominal::from_mesh(raw, LengthUnit::Millimetre, None, &quiet()).unwrap()
}

/// Area and centroid of a plane that turns by a degree about its middle stay where they were; the plane does not.
#[test]
fn a_face_that_turns_about_its_middle_is_another_and_so_is_the_feature_on_it() {
    let (before, after) = (tilted(0.0), tilted(0.7));
    let top = |n: &Nominal| {
        let is = |f: &&scantling_core::nominal::Face| f.centroid.z > 19.0;
        n.faces().iter().position(|f| is(&f)).unwrap() as u32
    };
    let moved: Vec<(u32, u32, f64)> = compare(&before, &after)
        .into_iter()
        .filter_map(|c| match c {
            FaceChange::Moved(i, j, by) => Some((i, j, by)),
            _ => None,
        })
        .collect();
    // Its turn by half the root of its area; the moments tell 0.25 mm, its rms distance from the middle by the turn.
    let of_top = moved.iter().find(|m| m.0 == top(&before)).expect("the top moved");
    let by = math::atan2(0.7, 40.0) * 0.5 * 1200f64.sqrt();
    assert!(of_top.1 == top(&after) && (of_top.2 - by).abs() < 1e-3, "{moved:?} {by}");
    let text = plan("[[feature]]\nid = \"H\"\nkind = \"plane\"\npick = { near_mm = [20.0, 15.0, 20.0], facing = [0.0, 0.0, 1.0] }")
        .replace("diameter = { nominal_mm = 10.0, upper_deviation_mm = 0.1, lower_deviation_mm = 0.0, size = \"least_squares\" }",
            "flatness = { zone_width_mm = 0.2, association = \"least_squares\" }");
    let (_, plan) = check_toml(&text).unwrap_or_else(|faults| panic!("{faults:?}"));
    let lies = |n: &Nominal| bind(&plan, Some(n)).unwrap().lies(Some(n));
    let told = changes(&lies(&before), &lies(&after));
    assert!(told.len() == 1 && told[0].what.starts_with("turned or bent otherwise by 0."), "{told:?}");
    assert!(changes(&lies(&before), &lies(&tilted(0.0))).is_empty());
    // A plan's fingerprint knows the direction, one without it does not.
    let print = Fingerprint::of(&before, top(&before));
    let now = Fingerprint::of(&after, top(&after));
    let of_plan = Fingerprint { spread: None, ..print };
    assert!(!of_plan.same(&now) && Fingerprint { direction: None, ..of_plan }.same(&now));
}
