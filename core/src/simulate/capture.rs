//! From bodies before a scanner to the points it writes.

use super::edges::round_edges;
use super::export::smoothed;
use super::field::RandomField;
use super::filling::lids;
use super::imperfection::{DropOut, Imperfections, PassSeams};
use super::lattice::{Sample, samples};
use super::made::Made;
use super::scanner::{Scanner, ScannerError};
use super::scene::Taken;
use super::sight::{Sight, sights};
use super::target::stick;
use crate::geometry::random::Random;
use crate::geometry::{Aabb, Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, math, sum};
use crate::run::{Run, Stopped};
use rayon::prelude::*;

/// Something before the scanner. `Scene` is the frame in which the views are given.
pub(super) struct Body<'a, Scene> {
    pub(super) made: &'a Made,
    /// How it lies; `None` when the frame of the scene is the part's own.
    pub(super) pose: Option<Motion<Scene, PartFrame>>,
    /// Standard deviation of its own surface about its shape, mm: white, along the normal.
    pub(super) roughness_mm: f64,
    /// Whether it is a part: only parts carry reference targets.
    pub(super) part: bool,
}

/// What a scanner wrote, point by point.
pub(super) struct Captured {
    pub(super) points: Vec<Point>,
    pub(super) normals: Vec<Direction>,
    /// Index of the body.
    pub(super) body: Vec<u32>,
    /// Index of the view.
    pub(super) view: Vec<u32>,
    pub(super) taken: Vec<Taken>,
}

/// Places before the scanner: the bodies' surfaces, in the frame of the scene.
pub(super) struct Surface {
    pub(super) places: Vec<(Point, Direction)>,
    /// Index of the body.
    pub(super) body: Vec<u32>,
    pub(super) taken: Vec<Taken>,
}

/// Scans all bodies together: each hides what lies behind it.
pub(super) fn capture<Scene: Send + Sync>(
    run: &Run,
    scanner: &Scanner,
    bodies: &[Body<'_, Scene>],
    scan_from_scene: &Motion<ScanFrame, Scene>,
) -> Result<Captured, ScannerError> {
    let area = |mesh: &TriangleMesh| (0..mesh.triangles().len() as u32).map(|t| mesh.area(t)).sum::<f64>();
    scanner.check(bodies.iter().map(|b| area(b.made.nominal())).sum())?;
    for (body, b) in bodies.iter().enumerate() {
        for (index, deviation) in b.made.deviations().iter().enumerate() {
            if let Some(problem) = deviation.fault() {
                return Err(ScannerError::Deviation { body, index, problem });
            }
        }
    }
    let imperfections = &scanner.imperfections;
    let meshes: Vec<TriangleMesh> = bodies.iter().map(mesh).collect();
    let mut surface = Surface { places: Vec::new(), body: Vec::new(), taken: Vec::new() };
    for (i, b) in bodies.iter().enumerate() {
        // Each body its own lattice; the first that of the seed itself.
        let seed = scanner.seed.wrapping_add((i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        surface.places.extend(places(run, b, scanner.spacing_mm, seed)?);
        surface.taken.resize(surface.places.len(), Taken::Surface);
        if let Some(size_mm) = imperfections.filled_openings_mm {
            surface.places.extend(lids(&meshes[i], size_mm, scanner.spacing_mm));
            surface.taken.resize(surface.places.len(), Taken::Filling);
        }
        surface.body.resize(surface.places.len(), i as u32);
    }
    let mut order = sights(run, &scanner.views, scanner.spacing_mm, &meshes, &surface.places)?;
    if let Some(radius_mm) = imperfections.edge_radius_mm {
        // What hides is sharp still: a tenth of a millimetre of shadow.
        for (i, mesh) in meshes.iter().enumerate() {
            run.check()?;
            let first = surface.body.partition_point(|b| (*b as usize) < i);
            let end = surface.body.partition_point(|b| (*b as usize) <= i);
            round_edges(mesh, radius_mm, &mut surface.places[first..end]);
        }
    }
    if let Some(targets) = &imperfections.targets {
        let part = |place: u32| bodies[surface.body[place as usize] as usize].part;
        let carried: Vec<u32> = order.iter().map(|s| s.place).filter(|p| part(*p)).collect();
        stick(targets, scanner.seed, &carried, &mut surface);
    }
    if let Some(drop_out) = &imperfections.drop_out {
        order = kept(run, scanner, drop_out, &surface, &order)?;
    }
    let motions = passes(scanner, &meshes);
    let rough = |s: &Sight| bodies[surface.body[s.place as usize] as usize].roughness_mm;
    let (mut points, mut normals) = write(run, scanner, &surface, &order, rough, &motions, scan_from_scene)?;
    if let Some(length_mm) = imperfections.smoothing_mm {
        (points, normals) = smoothed(run, &points, &normals, length_mm)?;
    }
    let of = |s: &Sight| (surface.body[s.place as usize], surface.taken[s.place as usize]);
    let (body, taken) = order.iter().map(of).unzip();
    Ok(Captured { points, normals, body, view: order.iter().map(|s| s.view).collect(), taken })
}

/// Places of a body's made surface with its normals, in the scene.
fn places<Scene: Send + Sync>(
    run: &Run,
    body: &Body<'_, Scene>,
    spacing_mm: f64,
    seed: u64,
) -> Result<Vec<(Point, Direction)>, Stopped> {
    let made = body.made;
    let place = |s: &Sample| {
        let (p, normal) = (made.point(&s.point), made.normal(&s.point, s.normal));
        body.pose.as_ref().map_or((p, normal), |pose| (pose.point(&p), pose.direction(normal)))
    };
    let samples = samples(made, spacing_mm, seed);
    gather(run, &samples, |_, chunk| chunk.iter().map(place).collect())
}

fn mesh<Scene: Send + Sync>(body: &Body<'_, Scene>) -> TriangleMesh {
    let made = body.made.mesh();
    let Some(pose) = &body.pose else { return made };
    let vertices = made.vertices().par_iter().map(|p| pose.point(p)).collect();
    TriangleMesh::new(vertices, made.triangles().to_vec()).expect("a motion keeps coordinates finite")
}

/// A stream of its own for each use, so that switching one imperfection on changes no other.
fn stream(scanner: &Scanner, of: u64, index: u64) -> u64 {
    (scanner.seed ^ of.wrapping_mul(0x9E6C_63D0_876A_68EE)).wrapping_mul(0x2545_F491_4F6C_DD1D) ^ index
}

/// What is left after drop-out.
fn kept(
    run: &Run,
    scanner: &Scanner,
    drop_out: &DropOut,
    surface: &Surface,
    order: &[Sight],
) -> Result<Vec<Sight>, Stopped> {
    let patches: Option<Vec<RandomField>> = drop_out.patch_mm.map(|length_mm| {
        let of_view = |v: usize| RandomField::new(stream(scanner, 1, v as u64), length_mm);
        (0..scanner.views.len()).map(of_view).collect()
    });
    let work = |first: usize, chunk: &[Sight]| {
        let mut random = Random::seeded(stream(scanner, 2, first as u64));
        let mut kept = Vec::with_capacity(chunk.len());
        for s in chunk {
            let (p, normal) = &surface.places[s.place as usize];
            let deviate = match &patches {
                Some(patches) => math::normal_cdf(patches[s.view as usize].at(p)),
                None => random.unit(),
            };
            let facing = normal.dot(scanner.views[s.view as usize]);
            let filled = surface.taken[s.place as usize] == Taken::Filling;
            if filled || !Imperfections::missing(drop_out, facing, deviate) {
                kept.push(*s);
            }
        }
        kept
    };
    gather(run, order, work)
}

/// How each pass is off; `None` without seams.
fn passes<Scene>(scanner: &Scanner, meshes: &[TriangleMesh]) -> Option<Vec<Motion<Scene, Scene>>> {
    let PassSeams { least_mm, largest_mm, turn_rad } = scanner.imperfections.seams?;
    let mut all = Aabb::empty();
    for bounds in meshes.iter().map(TriangleMesh::bounds) {
        all.add(&bounds.low);
        all.add(&bounds.high);
    }
    let middle = nalgebra::center(&all.low, &all.high);
    let of = |v: usize| {
        let mut random = Random::seeded(stream(scanner, 3, v as u64));
        let shift = random.direction().vector() * random.range(least_mm, largest_mm);
        let turn = random.direction().vector() * random.range(0.0, turn_rad);
        if v == 0 { Motion::identity() } else { Motion::turn_about(middle, turn, shift) }
    };
    Some((0..scanner.views.len()).map(of).collect())
}

/// Adds noise and takes all to the scanner's axes.
fn write<Scene: Send + Sync>(
    run: &Run,
    scanner: &Scanner,
    surface: &Surface,
    order: &[Sight],
    rough: impl Fn(&Sight) -> f64 + Sync,
    passes: &Option<Vec<Motion<Scene, Scene>>>,
    scan_from_scene: &Motion<ScanFrame, Scene>,
) -> Result<(Vec<Point>, Vec<Direction>), Stopped> {
    let error_rad = if scanner.normal_error_rad.is_finite() { scanner.normal_error_rad } else { 0.0 };
    let imperfections = &scanner.imperfections;
    let fields: Option<(f64, Vec<RandomField>)> = imperfections.correlated_noise.map(|noise| {
        let of_view = |v: usize| RandomField::new(stream(scanner, 4, v as u64), noise.length_mm);
        (noise.deviation_mm, (0..scanner.views.len()).map(of_view).collect())
    });
    let scale = 1.0 + 1e-6 * imperfections.scale_error_ppm;
    let work = |first: usize, chunk: &[Sight]| {
        // Each chunk its own stream, so that threads change nothing.
        let mut random = Random::seeded(scanner.seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ first as u64);
        let mut made = Vec::with_capacity(chunk.len());
        for sight in chunk {
            let (place, normal) = surface.places[sight.place as usize];
            let view = sight.view as usize;
            // A lid is made up by the exporter: nothing was measured there, noise neither.
            let measured = surface.taken[sight.place as usize] != Taken::Filling;
            let factor =
                if measured { imperfections.noise_factor(facing(scanner, view, normal)) } else { 0.0 };
            let mut p = place + normal.vector() * (scanner.noise_mm * factor * random.normal());
            if let Some((deviation_mm, fields)) = &fields {
                p += normal.vector() * (deviation_mm * factor * fields[view].at(&place));
            }
            let roughness_mm = rough(sight);
            if roughness_mm > 0.0 {
                p += normal.vector() * (roughness_mm * random.normal());
            }
            let (a, b) = normal.frame();
            let lean = (a * random.normal() + b * random.normal()) * error_rad;
            let mut seen = Direction::new(normal.vector() + lean).unwrap_or(normal);
            if let Some(passes) = passes {
                (p, seen) = (passes[view].point(&p), passes[view].direction(seen));
            }
            let p = scan_from_scene.point(&p);
            made.push((Point::from(p.coords * scale), scan_from_scene.direction(seen)));
        }
        made
    };
    Ok(gather(run, order, work)?.into_iter().unzip())
}

/// Cosine of the angle between a normal and its view; a rounded edge may turn a little further away than
/// what is seen, where noise grows no more.
fn facing(scanner: &Scanner, view: usize, normal: Direction) -> f64 {
    normal.dot(scanner.views[view]).max(0.2)
}

/// Works on chunks of constant size and puts their results one after the other.
pub(super) fn gather<T: Sync, R: Send>(
    run: &Run,
    items: &[T],
    work: impl Fn(usize, &[T]) -> Vec<R> + Sync + Send,
) -> Result<Vec<R>, Stopped> {
    // Once told to stop, what is left is passed over.
    let work = |first: usize, chunk: &[T]| if run.check().is_ok() { work(first, chunk) } else { Vec::new() };
    let all = sum::chunked(items, Vec::with_capacity(items.len()), work, |mut all, part| {
        all.extend(part);
        all
    });
    run.check()?;
    Ok(all)
}
