use super::*;
use crate::geometry::random::Random;
use crate::geometry::{Matrix3, Vector};
use crate::run::quiet;
use std::f64::consts::PI;

/// Where a block is written: millimetres or inches, and turned.
#[derive(Clone, Copy)]
struct Written {
    inch: bool,
    turn: Matrix3,
}

const UPRIGHT: Written =
    Written { inch: false, turn: Matrix3::new(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0) };

/// A block of 40 x 30 x 20 mm with a hole of radius 5 mm through it, as one product: ids from 1000 on; the
/// bottom is #1100, the top #1101, the sides #1102 to #1105, the hole #1106.
fn block(written: Written) -> String {
    use std::fmt::Write;
    let unit = if written.inch { 25.4 } else { 1.0 };
    let mut s = String::new();
    let mut next = 2000;
    let mut put = |s: &mut String, what: String| {
        next += 1;
        writeln!(s, "#{next}={what};").unwrap();
        next
    };
    let point = |v: Vector| {
        let v = written.turn * v / unit;
        format!("CARTESIAN_POINT('',({:?},{:?},{:?}))", v.x, v.y, v.z)
    };
    let direction = |v: Vector| {
        let v = written.turn * v;
        format!("DIRECTION('',({:?},{:?},{:?}))", v.x, v.y, v.z)
    };
    let size = Vector::new(40.0, 30.0, 20.0);
    let corner = |i: usize| {
        Vector::new((i & 1) as f64 * size.x, (i >> 1 & 1) as f64 * size.y, (i >> 2) as f64 * size.z)
    };
    let mut vertex = Vec::new();
    for i in 0..8 {
        let p = put(&mut s, point(corner(i)));
        vertex.push(put(&mut s, format!("VERTEX_POINT('',#{p})")));
    }
    let mut edges = std::collections::BTreeMap::new();
    for (a, b) in
        [(0, 1), (2, 3), (4, 5), (6, 7), (0, 2), (1, 3), (4, 6), (5, 7), (0, 4), (1, 5), (2, 6), (3, 7)]
    {
        let p = put(&mut s, point(corner(a)));
        let d = put(&mut s, direction(corner(b) - corner(a)));
        let v = put(&mut s, format!("VECTOR('',#{d},1.)"));
        let line = put(&mut s, format!("LINE('',#{p},#{v})"));
        let e = put(&mut s, format!("EDGE_CURVE('',#{},#{},#{line},.T.)", vertex[a], vertex[b]));
        edges.insert((a, b), e);
    }
    let z = put(&mut s, direction(Vector::z()));
    let x = put(&mut s, direction(Vector::x()));
    let mut axes = Vec::new();
    let mut circles = Vec::new();
    for h in [0.0, size.z] {
        let centre = put(&mut s, point(Vector::new(15.0, 12.0, h)));
        let a = put(&mut s, format!("AXIS2_PLACEMENT_3D('',#{centre},#{z},#{x})"));
        axes.push(a);
        let c = put(&mut s, format!("CIRCLE('',#{a},{:?})", 5.0 / unit));
        let p = put(&mut s, point(Vector::new(20.0, 12.0, h)));
        let v = put(&mut s, format!("VERTEX_POINT('',#{p})"));
        circles.push(put(&mut s, format!("EDGE_CURVE('',#{v},#{v},#{c},.T.)")));
    }
    let loop_of = |s: &mut String, put: &mut dyn FnMut(&mut String, String) -> i32, way: &[(i32, bool)]| {
        let list: Vec<String> = way
            .iter()
            .map(|(e, forward)| {
                let flag = if *forward { "T" } else { "F" };
                format!("#{}", put(s, format!("ORIENTED_EDGE('',*,*,#{e},.{flag}.)")))
            })
            .collect();
        put(s, format!("EDGE_LOOP('',({}))", list.join(",")))
    };
    // Each face counter-clockwise from outside.
    let faces = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    for (n, f) in faces.iter().enumerate() {
        let way: Vec<(i32, bool)> = (0..4)
            .map(|i| (f[i], f[(i + 1) % 4]))
            .map(|(a, b)| edges.get(&(a, b)).map_or_else(|| (edges[&(b, a)], false), |e| (*e, true)))
            .collect();
        let l = loop_of(&mut s, &mut put, &way);
        let mut bounds = vec![put(&mut s, format!("FACE_OUTER_BOUND('',#{l},.T.)"))];
        if n < 2 {
            // The hole: clockwise from outside. From above that is back along the circle; from below along it.
            let l = loop_of(&mut s, &mut put, &[(circles[n], n == 0)]);
            bounds.push(put(&mut s, format!("FACE_BOUND('',#{l},.T.)")));
        }
        let out = (corner(f[1]) - corner(f[0])).cross(&(corner(f[3]) - corner(f[0])));
        let p = put(&mut s, point(corner(f[0])));
        let d = put(&mut s, direction(out));
        let a = put(&mut s, format!("AXIS2_PLACEMENT_3D('',#{p},#{d},$)"));
        let plane = put(&mut s, format!("PLANE('',#{a})"));
        let bounds: Vec<String> = bounds.iter().map(|b| format!("#{b}")).collect();
        writeln!(s, "#{}=ADVANCED_FACE('side',({}),#{plane},.T.);", 1100 + n, bounds.join(",")).unwrap();
    }
    // The wall of the hole: its outside is inwards, so against the cylinder's own normal.
    let bounds: Vec<String> = [(0, false), (1, true)]
        .iter()
        .map(|(n, forward)| {
            let l = loop_of(&mut s, &mut put, &[(circles[*n], *forward)]);
            format!("#{}", put(&mut s, format!("FACE_BOUND('',#{l},.T.)")))
        })
        .collect();
    let wall = put(&mut s, format!("CYLINDRICAL_SURFACE('',#{},{:?})", axes[0], 5.0 / unit));
    writeln!(s, "#1106=ADVANCED_FACE('hole',({}),#{wall},.F.);", bounds.join(",")).unwrap();
    let length = if written.inch {
        "#1005=(CONVERSION_BASED_UNIT('INCH',#1006)LENGTH_UNIT()NAMED_UNIT(*));\n\
         #1006=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(25.4),#1007);\n\
         #1007=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));"
    } else {
        "#1005=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT(.MILLI.,.METRE.));"
    };
    writeln!(
        s,
        "{length}\n#1000=CLOSED_SHELL('',(#1100,#1101,#1102,#1103,#1104,#1105,#1106));\n\
         #1001=MANIFOLD_SOLID_BREP('body',#1000);\n\
         #1002=ADVANCED_BREP_SHAPE_REPRESENTATION('',(#1001,#1010),#1003);\n\
         #1003=(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNIT_ASSIGNED_CONTEXT((#1005))REPRESENTATION_CONTEXT('',''));\n\
         #1010=AXIS2_PLACEMENT_3D('',#1011,$,$);\n#1011=CARTESIAN_POINT('',(0.,0.,0.));\n\
         #1020=SHAPE_DEFINITION_REPRESENTATION(#1021,#1002);\n#1021=PRODUCT_DEFINITION_SHAPE('','',#1022);\n\
         #1022=PRODUCT_DEFINITION('','',#1023,$);\n#1023=PRODUCT_DEFINITION_FORMATION('','',#1024);\n\
         #1024=PRODUCT('block-1','block','',());"
    )
    .unwrap();
    s
}

fn file(data: &str) -> String {
    format!(
        "ISO-10303-21;\nHEADER;\nFILE_DESCRIPTION((''),'2;1');\nFILE_NAME('','',(''),(''),'','','');\n\
         FILE_SCHEMA(('AUTOMOTIVE_DESIGN'));\nENDSEC;\nDATA;\n{data}ENDSEC;\nEND-ISO-10303-21;\n"
    )
}

fn read_text(text: &str) -> Result<StepFile, StepError> {
    read(&quiet(), text.as_bytes(), &StepSettings::default())
}

fn area_and_volume(part: &StepPart) -> (f64, f64) {
    let (mut area, mut volume) = (0.0, 0.0);
    for t in &part.triangles {
        let [a, b, c] = t.map(|v| part.vertices[v as usize]);
        let n = (b - a).cross(&(c - a));
        area += 0.5 * n.norm();
        volume += a.coords.dot(&n) / 6.0;
    }
    (area, volume)
}

#[test]
fn a_block_with_a_hole_is_read_in_any_unit_and_any_attitude() {
    let turn =
        *crate::geometry::Motion::<(), ()>::from_turn_and_shift(Vector::new(0.3, -0.7, 1.1), Vector::zeros())
            .rotation();
    for written in [UPRIGHT, Written { inch: true, turn: UPRIGHT.turn }, Written { inch: true, turn }] {
        let file = read_text(&file(&block(written))).unwrap();
        assert_eq!((file.schema.as_str(), file.parts.len()), ("AUTOMOTIVE_DESIGN", 1));
        let part = &file.parts[0];
        assert_eq!((part.name.as_str(), part.faces.len(), part.open_edges), ("block", 7, 0));
        assert_eq!(part.bodies, [StepBody { id: 1001, label: "body".into(), solid: true, faces: 0..7 }]);
        assert!(part.faces.iter().map(|f| f.id).eq(1100..=1106));
        assert!(part.surface_gap_mm < 1e-9 && part.curve_gap_mm < 1e-9);
        let (area, volume) = area_and_volume(part);
        // The hole is a polygon of about 99 corners: an area of sin(w) / w of the circle's.
        let exact = 2.0 * (40.0 * 30.0 + 30.0 * 20.0 + 20.0 * 40.0) - 2.0 * PI * 25.0 + 2.0 * PI * 5.0 * 20.0;
        assert!((area / exact - 1.0).abs() < 2e-4, "{area} {exact}");
        assert!((volume / (24_000.0 - PI * 25.0 * 20.0) - 1.0).abs() < 2e-4, "{volume}");
        let hole = part.faces[6].surface.as_ref().unwrap();
        let Carrier::Cylinder { radius_mm, axis, .. } = hole.carrier() else { panic!() };
        assert!((radius_mm - 5.0).abs() < 1e-12);
        assert!((axis.vector() - written.turn * Vector::z()).norm() < 1e-12);
        // Inside the hole is outside the material.
        let p = Point::from(written.turn * Vector::new(19.0, 12.0, 10.0));
        assert!((hole.foot(&p, &p).unwrap().distance_mm - 1.0).abs() < 1e-9);
        // Every straight or round edge lies between two faces.
        assert_eq!(part.edges.len(), 14);
        assert!(part.edges.iter().all(|(_, faces)| faces.len() == 2));
        assert_eq!(file.placed.len(), 1);
        assert_eq!(file.placed[0].rotation, Matrix3::identity());
    }
}

#[test]
fn triangles_lie_within_the_chord_error_of_their_carriers() {
    for chord_mm in [0.1, 0.01, 0.001] {
        let text = file(&block(UPRIGHT));
        let file =
            read(&quiet(), text.as_bytes(), &StepSettings { chord_mm, ..StepSettings::default() }).unwrap();
        let (part, mut random) = (&file.parts[0], Random::seeded(11));
        let (range, surface) =
            (part.faces[6].triangles.clone().unwrap(), part.faces[6].surface.as_ref().unwrap());
        let mut worst: f64 = 0.0;
        for _ in 0..1000 {
            let t = part.triangles[range.start + random.below(range.len())];
            let [a, b, c] = t.map(|v| part.vertices[v as usize]);
            let (s, t) = (random.unit(), random.unit());
            let (s, t) = if s + t > 1.0 { (1.0 - s, 1.0 - t) } else { (s, t) };
            let p = a + (b - a) * s + (c - a) * t;
            worst = worst.max(surface.foot(&p, &p).unwrap().distance_mm.abs());
        }
        // Not much finer than asked for either; turns of 0.155 rad bound it for the coarsest.
        assert!(worst <= chord_mm && worst > 0.1 * chord_mm, "{chord_mm}: {worst}");
    }
}

#[test]
fn edges_are_lines_with_the_directions_of_both_faces() {
    let turn =
        *crate::geometry::Motion::<(), ()>::from_turn_and_shift(Vector::new(0.3, -0.7, 1.1), Vector::zeros())
            .rotation();
    let whole = read_text(&file(&block(Written { inch: false, turn }))).unwrap();
    let part = &whole.parts[0];
    let own = |v: u32| Point::from(turn.transpose() * part.vertices[v as usize].coords);
    assert!(part.edge_lines.iter().map(|l| l.id).eq(part.edges.iter().map(|e| e.0)));
    let (mut straight, mut round) = (0, 0);
    for (line, (_, faces)) in part.edge_lines.iter().zip(&part.edges) {
        assert!(!line.is_border() && !line.is_seam());
        assert!(line.sides.iter().map(|s| s.face).eq(faces.iter().copied()));
        // One face on each side.
        assert_ne!(line.sides[0].left, line.sides[1].left);
        let closed = line.vertices[0] == line.vertices[line.vertices.len() - 1];
        for (k, side) in line.sides.iter().enumerate() {
            for n in 0..line.vertices.len() {
                let p = own(line.vertices[n]);
                let normal = turn.transpose() * side.normals[n].unwrap().vector();
                let into = turn.transpose() * line.into_face(&part.vertices, k, n).unwrap().vector();
                let radial = Vector::new(15.0 - p.x, 12.0 - p.y, 0.0) / 5.0;
                // Closed forms of the block: sides look away from its middle, the hole's wall to its axis.
                let (outward, inside) = match side.face {
                    0 => (-Vector::z(), if closed { -radial } else { middle_of(&p) }),
                    1 => (Vector::z(), if closed { -radial } else { middle_of(&p) }),
                    2 => (-Vector::y(), middle_of(&p)),
                    3 => (Vector::y(), middle_of(&p)),
                    4 => (-Vector::x(), middle_of(&p)),
                    5 => (Vector::x(), middle_of(&p)),
                    _ => (radial, Vector::z() * (10.0 - p.z).signum()),
                };
                assert!((normal - outward).norm() < 1e-9, "#{} {n}: {normal}", line.id);
                assert!(
                    into.dot(&inside) > 0.0 && into.dot(&normal).abs() < 1e-9,
                    "#{} {n}: {into}",
                    line.id
                );
            }
        }
        if closed { round += 1 } else { straight += 1 }
    }
    assert_eq!((straight, round), (12, 2));
    // Without the wall of the hole its rims have a side that is not known, and no border for that.
    let text = file(&block(UPRIGHT));
    let wall = text.lines().find(|l| l.contains("CYLINDRICAL_SURFACE")).unwrap();
    let gone = read_text(&text.replace(&format!("{wall}\n"), "")).unwrap();
    let rims = gone.parts[0].edge_lines.iter().filter(|l| l.sides.iter().any(|s| s.face == 6));
    let rims: Vec<_> = rims.collect();
    assert_eq!(rims.len(), 2);
    for rim in rims {
        assert!(!rim.is_border());
        assert!(rim.sides.iter().all(|s| s.normals.iter().all(|n| n.is_some() == (s.face != 6))));
    }
    // And where the shell does not have it at all, the plane ends there.
    let open = read_text(&text.replace(",#1106));", "));")).unwrap();
    assert_eq!(open.parts[0].edge_lines.iter().filter(|l| l.is_border()).count(), 2);
}

/// From a place of the block's edges to its middle.
fn middle_of(p: &Point) -> Vector {
    Vector::new(20.0, 15.0, 10.0) - p.coords
}

#[test]
fn a_face_that_cannot_be_read_is_told_by_its_id_and_the_others_live() {
    let whole = file(&block(UPRIGHT));
    // The wall of the hole on a surface that is not read; then on one that is not there.
    let wall = whole.lines().find(|l| l.contains("CYLINDRICAL_SURFACE")).unwrap();
    let id = wall.split('=').next().unwrap();
    let offset = whole.replace(wall, &format!("{id}=OFFSET_SURFACE('',#1010,1.,.F.);"));
    let gone = whole.replace(&format!("{wall}\n"), "");
    let number: u64 = id[1..].parse().unwrap();
    for (text, expected) in [
        (offset, EntityFault::NotServed { id: number, kind: "OFFSET_SURFACE".into() }),
        (gone, EntityFault::NotThere { id: number }),
    ] {
        let file = read_text(&text).unwrap();
        let part = &file.parts[0];
        assert_eq!(part.faces[6].triangles, Err(FaceFault::Entity(expected)));
        assert!(part.faces[6].surface.is_none());
        assert!(part.faces[..6].iter().all(|f| f.triangles.as_ref().is_ok_and(|r| !r.is_empty())));
        assert!(part.open_edges > 100);
    }
}

#[test]
fn a_face_whose_boundary_lies_off_its_surface_is_told_and_how_far() {
    let whole = file(&block(UPRIGHT));
    // Within a tenth of a mm it is the file's own inaccuracy, and told as a gap.
    let near = read_text(&whole.replace(",5.0);\n#1106", ",5.1);\n#1106")).unwrap();
    assert!(near.parts[0].faces[6].triangles.is_ok());
    assert!((near.parts[0].surface_gap_mm - 0.1).abs() < 1e-9 && near.parts[0].faces[5].gap_mm < 1e-9);
    // The triangles lie on both surfaces all the same, and the rims of the planes follow.
    let part = &near.parts[0];
    assert!(part.faces.iter().all(|f| f.left_mm < 1e-6) && part.open_edges == 0);
    let (_, volume) = area_and_volume(part);
    assert!((volume / (24_000.0 - PI * 5.1 * 5.1 * 20.0) - 1.0).abs() < 2e-4, "{volume}");
    let far = read_text(&whole.replace(",5.0);\n#1106", ",6.0);\n#1106")).unwrap();
    let Err(FaceFault::OffSurface { gap_mm }) = far.parts[0].faces[6].triangles else { panic!() };
    assert!((gap_mm - 1.0).abs() < 1e-9);
}

/// The block placed twice in an assembly: once as it is and shifted, once turned a quarter about z.
fn pair(swapped: bool) -> String {
    let (first, second) = if swapped { ("#1", "#1002") } else { ("#1002", "#1") };
    let items = |to: &str| if swapped { format!("{to},#1010") } else { format!("#1010,{to}") };
    format!(
        "{}#1=SHAPE_REPRESENTATION('',(#10,#20),#1003);\n\
         #2=SHAPE_DEFINITION_REPRESENTATION(#3,#1);\n#3=PRODUCT_DEFINITION_SHAPE('','',#4);\n\
         #4=PRODUCT_DEFINITION('','',#5,$);\n#5=PRODUCT_DEFINITION_FORMATION('','',#6);\n#6=PRODUCT('pair','pair','',());\n\
         #10=AXIS2_PLACEMENT_3D('',#11,$,$);\n#11=CARTESIAN_POINT('',(100.,0.,0.));\n\
         #20=AXIS2_PLACEMENT_3D('',#21,#22,#23);\n#21=CARTESIAN_POINT('',(0.,200.,5.));\n\
         #22=DIRECTION('',(0.,0.,1.));\n#23=DIRECTION('',(0.,1.,0.));\n\
         #30=NEXT_ASSEMBLY_USAGE_OCCURRENCE('1','left','',#4,#1022,$);\n#31=PRODUCT_DEFINITION_SHAPE('','',#30);\n\
         #32=CONTEXT_DEPENDENT_SHAPE_REPRESENTATION(#33,#31);\n\
         #33=(REPRESENTATION_RELATIONSHIP('','',{first},{second})REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION(#34)\
         SHAPE_REPRESENTATION_RELATIONSHIP());\n#34=ITEM_DEFINED_TRANSFORMATION('','',{});\n\
         #40=NEXT_ASSEMBLY_USAGE_OCCURRENCE('2','right','',#4,#1022,$);\n#41=PRODUCT_DEFINITION_SHAPE('','',#40);\n\
         #42=CONTEXT_DEPENDENT_SHAPE_REPRESENTATION(#43,#41);\n\
         #43=(REPRESENTATION_RELATIONSHIP('','',{first},{second})REPRESENTATION_RELATIONSHIP_WITH_TRANSFORMATION(#44)\
         SHAPE_REPRESENTATION_RELATIONSHIP());\n#44=ITEM_DEFINED_TRANSFORMATION('','',{});\n",
        block(UPRIGHT),
        items("#10"),
        items("#20"),
    )
}

#[test]
fn an_assembly_places_its_parts_whichever_way_round_it_is_told() {
    for swapped in [false, true] {
        let file = read_text(&file(&pair(swapped))).unwrap();
        assert_eq!(file.notes, Vec::<String>::new());
        assert_eq!(file.parts.iter().map(|p| p.name.as_str()).collect::<Vec<_>>(), ["block"]);
        let names: Vec<_> = file.placed.iter().map(|p| p.path.join("/")).collect();
        assert_eq!(names, ["left", "right"]);
        assert_eq!(file.placed[0].rotation, Matrix3::identity());
        assert_eq!(file.placed[0].shift, Vector::new(100.0, 0.0, 0.0));
        // A quarter turn takes x to y.
        let p = file.placed[1].rotation * Vector::new(1.0, 2.0, 3.0) + file.placed[1].shift;
        assert!((p - Vector::new(-2.0, 201.0, 8.0)).norm() < 1e-12, "{p}");
    }
}

#[test]
fn mapped_items_place_parts_too_and_circles_end() {
    let mapped = format!(
        "{}#1=SHAPE_REPRESENTATION('',(#2),#1003);\n#2=MAPPED_ITEM('one',#3,#5);\n\
         #3=REPRESENTATION_MAP(#1010,#1002);\n#5=AXIS2_PLACEMENT_3D('',#6,$,$);\n#6=CARTESIAN_POINT('',(7.,0.,0.));\n\
         #7=SHAPE_DEFINITION_REPRESENTATION(#8,#1);\n#8=PRODUCT_DEFINITION_SHAPE('','',#9);\n\
         #9=PRODUCT_DEFINITION('','',#10,$);\n#10=PRODUCT_DEFINITION_FORMATION('','',#11);\n#11=PRODUCT('a','a','',());\n",
        block(UPRIGHT)
    );
    let read = read_text(&file(&mapped)).unwrap();
    assert_eq!(read.placed.len(), 1);
    assert_eq!((read.placed[0].path[0].as_str(), read.placed[0].shift.x), ("one", 7.0));
    // A representation that maps itself.
    let circle = mapped.replace("REPRESENTATION_MAP(#1010,#1002)", "REPRESENTATION_MAP(#1010,#1)");
    let read = read_text(&file(&circle)).unwrap();
    assert_eq!(read.placed.len(), 1);
}

#[test]
fn a_part_is_chosen_by_its_name() {
    let text = file(&block(UPRIGHT));
    let named = |name: &str| {
        let settings = StepSettings { part: Some(name.into()), ..StepSettings::default() };
        read(&quiet(), text.as_bytes(), &settings)
    };
    assert_eq!(named("block").unwrap().parts.len(), 1);
    let fault = named("brick").unwrap_err();
    assert_eq!(fault, StepError::NoPart { wanted: "brick".into(), names: vec!["block".into()] });
}

#[test]
fn what_is_no_part_is_answered() {
    assert_eq!(read_text("solid x").unwrap_err(), StepError::NotStep);
    assert_eq!(read_text(&file("")).unwrap_err(), StepError::NoShape { tessellated: false });
    assert_eq!(
        read_text(&file("#1=TESSELLATED_SOLID('',(),$);\n")).unwrap_err(),
        StepError::NoShape { tessellated: true }
    );
    for chord_mm in [0.0, -1.0, f64::NAN, f64::INFINITY, 1e-9] {
        let settings = StepSettings { chord_mm, ..StepSettings::default() };
        assert!(matches!(read(&quiet(), b"", &settings), Err(StepError::Chord { .. })));
    }
    // Lengths of an unknown unit are no lengths.
    let text = file(&block(UPRIGHT).replace("GLOBAL_UNIT_ASSIGNED_CONTEXT((#1005))", ""));
    assert!(matches!(read_text(&text), Err(StepError::Entity(EntityFault::Senseless { id: 1003, .. }))));
    let stop = std::sync::atomic::AtomicBool::new(true);
    let run = Run { stop: &stop, ..quiet() };
    assert!(matches!(read(&run, text.as_bytes(), &StepSettings::default()), Err(StepError::Stopped(_))));
}

#[test]
fn a_body_that_is_not_read_is_named() {
    let text = file(&block(UPRIGHT).replace("(#1001,#1010)", "(#1001,#1010,#1,#2)"));
    let text = text
        .replace("DATA;\n", "DATA;\n#1=EXTRUDED_AREA_SOLID('',#3,#1010,#3,5.);\n#2=GEOMETRIC_SET('',());\n");
    let read = read_text(&text).unwrap();
    assert_eq!(read.notes, ["left out: #1 is EXTRUDED_AREA_SOLID, which is not read"]);
}

#[test]
fn the_same_bytes_give_the_same_bits_on_any_number_of_threads() {
    let text = file(&block(UPRIGHT));
    let on = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let part = pool.install(|| read_text(&text)).unwrap().parts.remove(0);
        let bits: Vec<u64> =
            part.vertices.iter().flat_map(|p| [p.x.to_bits(), p.y.to_bits(), p.z.to_bits()]).collect();
        (bits, part.triangles)
    };
    assert_eq!(on(1), on(3));
}

#[test]
fn a_thousand_damaged_files_are_answered() {
    let whole = file(&pair(false)).into_bytes();
    let mut random = Random::seeded(77);
    let (mut good, mut faces, mut refused) = (0, 0, 0);
    for _ in 0..1000 {
        let mut bytes = whole.clone();
        for _ in 0..1 + random.below(5) {
            let at = random.below(bytes.len());
            match random.below(8) {
                0 => bytes.truncate(at + 1),
                1 => drop(bytes.remove(at)),
                2 => bytes[at] = (random.next_u64() & 0xff) as u8,
                // Numbers and references become others: the file stays one.
                _ => {
                    if let Some(n) = bytes[at..].iter().position(u8::is_ascii_digit) {
                        bytes[at + n] = b"0123456789"[random.below(10)];
                    }
                }
            }
        }
        match read(&quiet(), &bytes, &StepSettings { chord_mm: 0.1, ..StepSettings::default() }) {
            Ok(file) if file.parts.iter().flat_map(|p| &p.faces).all(|f| f.triangles.is_ok()) => good += 1,
            Ok(_) => faces += 1,
            Err(_) => refused += 1,
        }
    }
    assert!(good > 50 && faces > 50 && refused > 50, "{good} {faces} {refused}");
}
