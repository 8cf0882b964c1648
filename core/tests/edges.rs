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
                        if seed == 0 {
                            print!("{:?} ", found.strips_mm);
                        }
                    }
                    sums.say(&format!("{part} {which} {at} {how}"));
                }
            }
        }
    }
}
