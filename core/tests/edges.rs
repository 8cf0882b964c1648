//! Trimmed edges on panels whose points are known in closed form: bias and spread of the offsets against bounds that are
//! worked out here from the very points, each way of measuring by itself, and whole inspections.
#![allow(clippy::unwrap_used, reason = "a test says where it fails")]

mod panel;

use panel::{Line, Made, Panel, Taken};
use scantling_core::edge::{By, EdgeInput, MeasuredEdge, measure};
use scantling_core::geometry::Motion;
use scantling_core::nominal::Nominal;
use scantling_core::plan::{self, BoundEdge, FaceMap, Plan};
use scantling_core::run::quiet;
use scantling_core::scan::Scan;

const HEAD: &str = "schema_version = 1\npart = \"panel\"\ndrawing_revision = \"A\"\nplan_version = 1\n\
    length_unit = \"mm\"\nobject = \"part\"\nstandard = { system = \"iso\", edition = \"ISO 1101:2017\" }\n\
    decision = { proven = {} }\nfilter = { gaussian = { nesting_index_mm = 2.5 } }\n[nominal]\nfile = \"panel.stl\"\n\
    side_of_material = \"behind_normal\"\n\
    [[feature]]\nid = \"SKIN\"\nkind = \"surface\"\npick = { near_mm = [20, 10, 0], facing = [0, 0, 1], grow_to_angle_deg = 12 }\n";

fn planned(nominal: &Nominal, edges: &str) -> (Plan, FaceMap) {
    let text = format!("{HEAD}{edges}");
    let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
    let faces = plan::bind(&plan, Some(nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
    (plan, faces)
}

/// The edge of a panel's skin, `line` written as in a plan.
fn edge(nominal: &Nominal, line: &str) -> BoundEdge {
    let edges = format!(
        "[[feature]]\nid = \"TRIM\"\nkind = \"edge\"\nedge = {{ of = \"SKIN\", {line} }}\n\
         [[characteristic]]\nnumber = \"1\"\nfeature = \"TRIM\"\nline_profile = {{ limit_outside_mm = 0.4, limit_inside_mm = 0.4 }}\n"
    );
    planned(nominal, &edges).1.features[1].edge.clone().unwrap()
}

fn measured(nominal: &Nominal, edge: &BoundEdge, scan: &Scan, noise_mm: f64) -> MeasuredEdge {
    let motion = Motion::identity();
    let input = EdgeInput {
        nominal,
        edge,
        scan,
        part_from_scan: &motion,
        nesting_mm: 2.5,
        furthest_mm: 0.4,
        noise_mm,
    };
    measure(&quiet(), &input).unwrap()
}

/// Which line of the panel a station lies on, and where along it.
fn line_of(panel: &Panel, station: &scantling_core::edge::Station) -> (Line, f64) {
    let o = station.outward.vector();
    let p = station.place;
    if p.coords.norm() < 2.0 * panel.hole_radius {
        return (Line::Hole, scantling_core::geometry::math::atan2(p.y, p.x));
    }
    let u = if panel.bend.is_finite() {
        panel.bend * scantling_core::geometry::math::atan2(p.x, p.z + panel.bend)
    } else {
        p.x
    };
    if o.y.abs() > 0.7 {
        if o.y > 0.0 { (Line::Upper, u) } else { (Line::Lower, u) }
    } else if o.x > 0.0 {
        (Line::Right, p.y)
    } else {
        (Line::Left, p.y)
    }
}

#[derive(Default, Debug)]
struct Sums {
    n: f64,
    error: f64,
    square: f64,
    bound: f64,
    told: f64,
    within: f64,
    unseen: f64,
}

impl Sums {
    fn add(&mut self, error: f64, bound: f64, told: f64) {
        self.n += 1.0;
        self.error += error;
        self.square += error * error;
        self.bound += bound * bound;
        self.told += told * told;
        self.within += f64::from(error.abs() <= 1.96 * told);
    }
    fn ratio(&self) -> f64 {
        (self.square / self.bound).sqrt()
    }
    fn told(&self) -> f64 {
        (self.told / self.square).sqrt()
    }
    fn bias(&self) -> f64 {
        self.error / self.n
    }
    fn say(&self, what: &str) {
        println!(
            "{what}: {} stations, bias {:+.5} mm, rms {:.5}, rms / bound {:.3}, told / rms {:.3}, within 95 % {:.3}, unseen {}",
            self.n,
            self.bias(),
            (self.square / self.n).sqrt(),
            self.ratio(),
            self.told(),
            self.within / self.n,
            self.unseen
        );
    }
}

/// Variance of the value at 0 of the least-squares line through points at some places, for noise of one.
fn at_zero(places: &[f64]) -> f64 {
    let n = places.len() as f64;
    let mean = places.iter().sum::<f64>() / n;
    let square: f64 = places.iter().map(|z| (z - mean) * (z - mean)).sum();
    1.0 / n + mean * mean / square
}

fn offsets(line: Line, at: f64) -> (f64, f64) {
    use scantling_core::geometry::math::sin;
    match line {
        Line::Right => (0.15, 0.0),
        Line::Upper => (-0.2, 0.02),
        Line::Left => (0.1 * sin(at / 8.0), 0.0),
        Line::Lower => (0.0, -0.03),
        Line::Hole => (0.12 + 0.05 * sin(2.0 * at), 0.01),
    }
}

/// The arris of wall and skin is as good as the least-squares lines of their points can be, by formula from the points that
/// each station has: variance of the wall's line at the arris (the skin's line enters by the lean only).
#[test]
fn the_visible_arris_is_told_as_well_as_its_points_can_tell_it() {
    let panel = Panel::flat();
    let nominal = panel.nominal();
    let made: Made = &offsets;
    for (what, line) in [("outer", "loop = \"outer\""), ("hole", "loop = \"inner\"")] {
        let bound = edge(&nominal, &format!("{line}, at = \"visible_arris\""));
        let mut sums = Sums::default();
        for seed in 0..12 {
            let taken = Taken { rows: 0.1 + 0.23 * seed as f64, ..Taken::whole(seed) };
            let raw = panel.points(made, &taken);
            let scan = panel.scan(made, &taken);
            let found = measured(&nominal, &bound, &scan, taken.noise);
            assert_eq!(found.seen(), 1.0, "{what} {seed}");
            // The walls' points as they are given, by line: place along it and depth.
            let normals = raw.normals.as_ref().unwrap();
            let walls: Vec<(Line, f64, f64)> = raw
                .points
                .iter()
                .zip(normals)
                .filter(|(_, n)| n.z.abs() < 0.5)
                .map(|(p, n)| {
                    if p.coords.xy().norm() < 2.0 * panel.hole_radius {
                        let turn = scantling_core::geometry::math::atan2(p.y, p.x);
                        (Line::Hole, panel.hole_radius * turn, -p.z)
                    } else if n.x.abs() > 0.7 {
                        (if n.x > 0.0 { Line::Right } else { Line::Left }, p.y, -p.z)
                    } else {
                        (if n.y > 0.0 { Line::Upper } else { Line::Lower }, p.x, -p.z)
                    }
                })
                .collect();
            for station in &found.stations {
                let (line, at) = line_of(&panel, station);
                let s = if line == Line::Hole { at * panel.hole_radius } else { at };
                let whole = 2.0 * std::f64::consts::PI * panel.hole_radius;
                let near = |x: f64| {
                    let d = x - s;
                    let d = if line == Line::Hole { d - whole * (d / whole).round() } else { d };
                    d.abs() <= 0.5 * station.length_mm
                };
                let depths: Vec<f64> =
                    walls.iter().filter(|w| w.0 == line && near(w.1)).map(|w| w.2).collect();
                let got = station.found.unwrap();
                assert_eq!(got.by, By::Wall);
                if depths.len() < 4 {
                    continue;
                }
                let best = taken.noise * at_zero(&depths).sqrt();
                sums.add(got.offset_mm - made(line, at).0, best, got.standard_mm);
            }
        }
        sums.say(what);
        assert!(sums.ratio() < 1.15, "{what}: {sums:?}");
        assert!(sums.bias().abs() < 0.002, "{what}: {sums:?}");
        assert!((sums.told() - 1.0).abs() < 0.1, "{what}: {sums:?}");
    }
}

/// Places of the panel's skin beside one of its lines: along it and out of it, mm.
fn beside(panel: &Panel, line: Line, [u, v]: [f64; 2]) -> (f64, f64) {
    let [hx, hy] = panel.half;
    match line {
        Line::Right => (v, u - hx),
        Line::Left => (v, -u - hx),
        Line::Upper => (u, v - hy),
        Line::Lower => (u, -v - hy),
        Line::Hole => {
            let r = (u * u + v * v).sqrt();
            (panel.hole_radius * scantling_core::geometry::math::atan2(v, u), panel.hole_radius - r)
        }
    }
}

fn wrapped(panel: &Panel, line: Line, d: f64) -> f64 {
    let whole = 2.0 * std::f64::consts::PI * panel.hole_radius;
    if line == Line::Hole { d - whole * (d / whole).round() } else { d }
}

/// By the skin alone, taken in rows of any direction: no estimate can know more than that the end lies beyond the last place
/// of a station that was taken and before the first that was not, which is a twelfth of the square of that interval.
#[test]
fn the_end_of_a_skin_in_rows_is_told_as_well_as_the_rows_can_tell_it() {
    let panel = Panel::flat();
    let nominal = panel.nominal();
    let made: Made = &|line, at| if line == Line::Hole { (0.12, 0.0) } else { (offsets(line, at).0, 0.0) };
    for (what, line) in [("outer", "loop = \"outer\""), ("hole", "loop = \"inner\"")] {
        for station in ["", ", station_mm = 5"] {
            let bound = edge(&nominal, &format!("{line}, at = \"visible_arris\"{station}"));
            let mut sums = Sums::default();
            for seed in 0..12 {
                let taken = Taken {
                    rows: 0.05 + 0.131 * seed as f64,
                    walls: false,
                    noise: 0.005,
                    ..Taken::whole(100 + seed)
                };
                let lattice = panel.lattice(&taken);
                let scan = panel.scan(made, &taken);
                let found = measured(&nominal, &bound, &scan, taken.noise);
                for station in &found.stations {
                    let Some(got) = station.found else {
                        sums.unseen += 1.0;
                        continue;
                    };
                    assert_eq!(got.by, By::Surface);
                    let (line, at) = line_of(&panel, station);
                    let s = if line == Line::Hole { at * panel.hole_radius } else { at };
                    // The made edge where it is level over the station.
                    let level = made(line, at).0;
                    if (made(line, at + 0.1).0 - level).abs() > 1e-9 {
                        continue;
                    }
                    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
                    for place in &lattice {
                        let (along, out) = beside(&panel, line, *place);
                        if wrapped(&panel, line, along - s).abs() <= 0.5 * station.length_mm
                            && out.abs() < 5.0
                        {
                            if out <= level { low = low.max(out) } else { high = high.min(out) }
                        }
                    }
                    if (high - low).is_finite() {
                        sums.add(got.offset_mm - level, (high - low) / 12f64.sqrt(), got.standard_mm);
                    }
                }
            }
            sums.say(&format!("rows, {what}{station}"));
            assert!(sums.n > 100.0 && sums.unseen == 0.0, "{what}: {sums:?}");
            assert!(sums.ratio() < 1.15, "{what}: {sums:?}");
            assert!(sums.bias().abs() < 0.01, "{what}: {sums:?}");
            assert!((0.9..1.2).contains(&sums.told()), "{what}: {sums:?}");
        }
    }
}

/// Points in no order: the end lies beyond the last by as much as the mean gap, an exponential distribution of the mean
/// 1 / (density x length), which is the least variance for a known density.
#[test]
fn the_end_of_a_skin_in_no_order_is_told_as_well_as_its_density_can_tell_it() {
    let panel = Panel::flat();
    let nominal = panel.nominal();
    let made: Made = &|line, _| if line == Line::Upper { (-0.2, 0.0) } else { (0.1, 0.0) };
    for station in ["", ", station_mm = 4"] {
        let bound = edge(&nominal, &format!("loop = \"outer\", at = \"visible_arris\"{station}"));
        let mut sums = Sums::default();
        for seed in 0..12 {
            let taken = Taken { anyhow: true, walls: false, noise: 0.005, ..Taken::whole(200 + seed) };
            let scan = panel.scan(made, &taken);
            let found = measured(&nominal, &bound, &scan, taken.noise);
            for station in &found.stations {
                let Some(got) = station.found else {
                    sums.unseen += 1.0;
                    continue;
                };
                let (line, at) = line_of(&panel, station);
                let best = taken.spacing * taken.spacing / station.length_mm;
                sums.add(got.offset_mm - made(line, at).0, best, got.standard_mm);
            }
        }
        sums.say(&format!("anyhow{station}"));
        assert!(sums.ratio() < 1.15, "{station}: {sums:?}");
        assert!(sums.bias().abs() < 0.02, "{station}: {sums:?}");
        assert!((0.8..1.3).contains(&sums.told()), "{station}: {sums:?}");
    }
}

/// The other edges of the same wall, on flat and bent panels, with and without normals, with rounded arrises.
#[test]
fn every_edge_of_a_wall_is_where_it_was_made() {
    let bent = Panel { bend: 150.0, ..Panel::flat() };
    let sheet = Panel { closed: false, ..Panel::flat() };
    let thick = Panel { thickness: 2.0, ..Panel::flat() };
    for (part, panel) in [("flat", Panel::flat()), ("bent", bent), ("sheet", sheet), ("2 mm", thick)] {
        let nominal = panel.nominal();
        let lines = if part == "bent" { vec!["outer"] } else { vec!["outer", "inner"] };
        let places: &[(&str, f64)] = if panel.closed {
            &[("visible_arris", 0.0), ("wall_middle", 0.5), ("hidden_arris", 1.0)]
        } else {
            &[("visible_arris", 0.0)]
        };
        for which in lines {
            for (at, share) in places {
                let bound = edge(&nominal, &format!("loop = \"{which}\", at = \"{at}\""));
                for (how, change) in [
                    ("", (|t| t) as fn(Taken) -> Taken),
                    ("both sides", |t| Taken { other: true, ..t }),
                    ("rounded 0.2", |t| Taken { rounding: 0.2, ..t }),
                    ("rounded 0.4", |t| Taken { rounding: 0.4, other: true, ..t }),
                    ("no normals", |t| Taken { normals: false, ..t }),
                    ("no normals, both sides", |t| Taken { normals: false, other: true, ..t }),
                ] {
                    // A known gap (DEVELOPERS.md): without normals nothing tells the other side below an open sheet from its
                    // wall.
                    if part == "sheet" && how == "no normals, both sides" {
                        continue;
                    }
                    let made: Made = &offsets;
                    let mut sums = Sums::default();
                    for seed in 0..3 {
                        let taken = change(Taken { spacing: 0.4, ..Taken::whole(300 + seed) });
                        let scan = panel.scan(made, &taken);
                        let found = measured(&nominal, &bound, &scan, taken.noise);
                        for station in &found.stations {
                            let (line, s) = line_of(&panel, station);
                            let (offset, lean) = made(line, s);
                            match station.found {
                                Some(got) if got.by == By::Wall => {
                                    let truth = offset + lean * share * panel.thickness;
                                    sums.add(got.offset_mm - truth, got.standard_mm, got.standard_mm);
                                }
                                _ => sums.unseen += 1.0,
                            }
                        }
                    }
                    let name = format!("{part} {which} {at} {how}");
                    sums.say(&name);
                    assert!(sums.n > 200.0 && sums.unseen == 0.0, "{name}: {sums:?}");
                    // An open sheet has no round wall, so its opening is made of chords: 0.0043 mm at most.
                    let chords = if part == "sheet" { 0.0043 } else { 0.0 };
                    assert!(sums.bias().abs() < 0.004 + chords, "{name}: {sums:?}");
                    // Where the other side was not seen its place is taken from the nominal, and told as less sure than it is here.
                    let least = if *share > 0.0 || chords > 0.0 { 0.85 } else { 0.9 };
                    assert!((least..1.3).contains(&sums.told()), "{name}: {sums:?}");
                }
            }
        }
    }
}

/// Where a quarter of the wall and of the skin beside it was not scanned, that length is missing, the rest is as before, and the
/// place is named.
#[test]
fn what_was_not_seen_of_an_edge_is_missing_by_its_length() {
    let panel = Panel::flat();
    let nominal = panel.nominal();
    let made: Made = &offsets;
    let bound = edge(&nominal, "loop = \"outer\", at = \"visible_arris\"");
    let taken = Taken::whole(7);
    let mut raw = panel.points(made, &taken);
    // 100 of 400 mm: the right end up to 10 mm along both long sides.
    let kept: Vec<bool> = raw.points.iter().map(|p| p.x <= 50.0).collect();
    let mut marks = kept.iter();
    raw.points.retain(|_| *marks.next().unwrap());
    let mut marks = kept.iter();
    raw.normals.as_mut().unwrap().retain(|_| *marks.next().unwrap());
    let scan = Scan::new(raw, scantling_core::scan::LengthUnit::Millimetre, &quiet()).unwrap();
    let found = measured(&nominal, &bound, &scan, taken.noise);
    assert!((found.seen() - 0.75).abs() < 0.01, "{}", found.seen());
    let (length, place) = found.longest_unseen().unwrap();
    // The right side and 10 mm of either long one, less the strips beside the corners.
    let place = place.place;
    assert!(
        (length - 96.0).abs() < 3.0 && (place.x - 60.0).abs() < 0.01 && place.y.abs() < 3.0,
        "{length} {place}"
    );
    for station in &found.stations {
        let (line, at) = line_of(&panel, station);
        let there = station.place.x <= 49.0;
        assert_eq!(
            station.found.is_some(),
            there || station.place.x < 50.5 && station.found.is_some(),
            "{station:?}"
        );
        if let Some(got) = station.found.filter(|_| there) {
            assert!((got.offset_mm - made(line, at).0).abs() < 6.0 * got.standard_mm, "{station:?}");
        }
    }
}

/// A meshed scan of one side: its border tells the end, and a hole in the mesh is none.
#[test]
fn the_border_of_a_mesh_tells_the_edge() {
    let panel = Panel::flat();
    let nominal = panel.nominal();
    let bound = edge(&nominal, "loop = \"outer\", at = \"visible_arris\"");
    let step = 0.5;
    for shift in [0.1, 0.27, 0.43] {
        let (nx, ny) = (240u32, 160u32);
        let at = |i: u32, j: u32| j * (nx + 1) + i;
        let mut points = Vec::new();
        for j in 0..=ny {
            for i in 0..=nx {
                // The last row lies up to a step before the made edge, 0.2 mm out of the nominal one.
                let (x, y) =
                    (f64::from(i) * step - 60.0 + 0.2 - shift, f64::from(j) * step - 40.0 + 0.2 - shift);
                points.push(scantling_core::geometry::Point::new(x, y, 0.0));
            }
        }
        let squares = (0..ny).flat_map(|j| (0..nx).map(move |i| (i, j)));
        let opening = |i: u32, j: u32| {
            let (x, y) = (f64::from(i) * step - 60.0, f64::from(j) * step - 40.0);
            x * x + y * y < 100.0 || (x - 58.0).abs() < 0.6 && (y - 10.0).abs() < 0.6
        };
        let triangles = squares
            .filter(|&(i, j)| !opening(i, j))
            .flat_map(|(i, j)| {
                let [a, b, c, d] = [at(i, j), at(i + 1, j), at(i + 1, j + 1), at(i, j + 1)];
                [[a, b, c], [a, c, d]]
            })
            .collect();
        let raw = scantling_core::read::RawScan { points, triangles, ..Default::default() };
        let scan = Scan::new(raw, scantling_core::scan::LengthUnit::Millimetre, &quiet()).unwrap();
        assert!(scan.border().is_some_and(|b| b.len() > 700));
        let found = measured(&nominal, &bound, &scan, 0.001);
        for station in &found.stations {
            let (line, _) = line_of(&panel, station);
            let got = station.found.unwrap();
            assert_eq!(got.by, By::MeshBorder, "{station:?}");
            // Rows along the edge tell it within one step only: half a step beyond the last, a twelfth of its square.
            let last = if matches!(line, Line::Right | Line::Upper) { 0.2 - shift } else { shift - 0.2 };
            assert!((got.offset_mm - last - 0.5 * step).abs() < 0.03, "{station:?}");
            assert!((got.standard_mm - step / 12f64.sqrt()).abs() < 0.03, "{station:?}");
        }
    }
}

/// Whole inspections of the demo part on its datums: a trimmed edge made too far out on a stretch does not conform there, one
/// made right conforms, and one of which a quarter was not seen is not measured, with the place.
#[test]
fn an_edge_is_judged_on_its_datums_by_what_was_seen_of_it() {
    use scantling_core::geometry::{Direction, Point};
    use scantling_core::inspect::{Job, ScanSource, inspect};
    use scantling_core::read::{RawScan, read};
    use scantling_core::record::Verdict;
    use scantling_core::scan::LengthUnit;
    use scantling_core::simulate::{Demo, Deviation, Imperfections, Scanner, TrimOffset};
    let run = quiet();
    let demo = Demo::new(3, 1.0);
    let trim = |offset_mm| {
        Deviation::TrimOffset(TrimOffset {
            from: Point::new(200.0, 0.0, 0.0),
            to: Point::new(330.0, 0.0, 0.0),
            outward: Direction::Y.reversed(),
            offset_mm,
            run_out_mm: 15.0,
            band_mm: 10.0,
            reach_mm: 4.0,
        })
    };
    let text = demo.plan_toml()
        + "\n[[feature]]\nid = \"TRIM\"\nkind = \"edge\"\nedge = { of = \"FLANGE\", loop = \"outer\", at = \"visible_arris\" }\n\
           [[characteristic]]\nnumber = \"50\"\nfeature = \"TRIM\"\nline_profile = { limit_outside_mm = 0.3, limit_inside_mm = 0.3 }\n\
           datum_system = \"ABC\"\ngroup = [\"trim\"]\nneeds = { coverage = 0.95 }\n";
    let (_, plan) = plan::check_toml(&text).unwrap_or_else(|f| panic!("{f:#?}"));
    let file = read(&demo.nominal_stl(), &run).unwrap();
    let nominal = Nominal::from_mesh(file, LengthUnit::Millimetre, plan.side, &run).unwrap();
    let faces = plan::bind(&plan, Some(&nominal)).unwrap_or_else(|f| panic!("{f:#?}"));
    let judged = |offset_mm: f64, keep: &dyn Fn(&Point) -> bool| {
        let made = demo.good.made.clone().with(vec![trim(offset_mm)]);
        let tilted =
            |x: f64, y: f64| Direction::new(scantling_core::geometry::Vector::new(x, y, 1.0)).unwrap();
        let scanner = Scanner {
            views: vec![
                Direction::Z,
                tilted(1.0, 0.0),
                tilted(-1.0, 0.0),
                tilted(0.0, 1.0),
                tilted(0.0, -1.0),
            ],
            imperfections: Imperfections { edge_radius_mm: Some(0.2), ..Imperfections::default() },
            ..Scanner::front(0.8, 0.015, 11)
        };
        let scan = scanner.scan(&made, &demo.good.scan_from_part).unwrap();
        let part_from_scan = demo.good.scan_from_part.inverse();
        let mut raw = RawScan { normals: Some(Vec::new()), ..RawScan::default() };
        for (p, n) in scan.points.iter().zip(&scan.normals) {
            if keep(&part_from_scan.point(p)) {
                raw.points.push(*p);
                raw.normals.as_mut().unwrap().push(n.vector());
            }
        }
        let scan = Scan::new(raw, LengthUnit::Millimetre, &run).unwrap();
        let scans = [ScanSource::whole(&scan, String::new())];
        let scope = ["trim".to_owned()];
        let job = Job { scope: &scope, ..Job::of_scans(&nominal, &plan, &faces, &scans) };
        let record = inspect(&run, &job).unwrap().record;
        record.evaluations.into_iter().next().unwrap()
    };
    let bad = judged(0.5, &|_| true);
    println!("{:?} {} {:?} {:?} {:?}", bad.verdict, bad.reason, bad.value_mm, bad.budget, bad.operators);
    assert_eq!(bad.verdict, Verdict::DoesNotConform, "{}", bad.reason);
    let value = bad.value_mm.unwrap();
    let at = bad.maximum.unwrap().at_mm;
    // Warps of the part move it by some hundredths more.
    assert!((value - 0.5).abs() < 0.1, "{value}");
    assert!((185.0..345.0).contains(&at[0]) && at[1] < 0.1, "{at:?}");
    let told = bad.edge.unwrap();
    assert!(told.stations.len() > 500 && told.stations.len() <= 1000);
    assert!(told.stations.iter().all(|s| s.offset_mm.is_some() && s.by == "wall"));
    let good = judged(0.0, &|_| true);
    println!("{:?} {} {:?} {:?} {:?}", good.verdict, good.reason, good.minimum, good.maximum, good.budget);
    assert_eq!(good.verdict, Verdict::Conforms, "{}", good.reason);
    let part = judged(0.0, &|p| !(p.y < 12.0 && p.x > 100.0 && p.x < 680.0));
    println!("{:?} {} {:?}", part.verdict, part.reason, part.coverage);
    assert_eq!(part.verdict, Verdict::NotMeasured, "{}", part.reason);
    assert!(part.reason.contains("of the edge was seen") && part.reason.contains(" x 3"), "{}", part.reason);
    assert!((part.coverage.unwrap().fraction - 0.75).abs() < 0.03);
}
