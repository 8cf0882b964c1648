//! From bodies before a scanner to the points it writes.

use super::lattice::{Sample, samples};
use super::made::Made;
use super::scanner::{Scanner, ScannerError};
use super::sight::{Sight, sights};
use crate::geometry::random::Random;
use crate::geometry::{Direction, Motion, PartFrame, Point, ScanFrame, TriangleMesh, sum};
use rayon::prelude::*;

/// Something before the scanner. `Scene` is the frame in which the views are given.
pub(super) struct Body<'a, Scene> {
    pub(super) made: &'a Made,
    /// How it lies; `None` when the frame of the scene is the part's own.
    pub(super) pose: Option<Motion<Scene, PartFrame>>,
    /// Standard deviation of its own surface about its shape, mm: white, along the normal.
    pub(super) roughness_mm: f64,
}

/// What a scanner wrote, point by point.
pub(super) struct Captured {
    pub(super) points: Vec<Point>,
    pub(super) normals: Vec<Direction>,
    /// Index of the body.
    pub(super) body: Vec<u32>,
    /// Index of the view.
    pub(super) view: Vec<u32>,
}

/// Scans all bodies together: each hides what lies behind it.
pub(super) fn capture<Scene: Send + Sync>(
    scanner: &Scanner,
    bodies: &[Body<'_, Scene>],
    scan_from_scene: &Motion<ScanFrame, Scene>,
) -> Result<Captured, ScannerError> {
    let area = |mesh: &TriangleMesh| (0..mesh.triangles().len() as u32).map(|t| mesh.area(t)).sum::<f64>();
    scanner.check(bodies.iter().map(|b| area(b.made.nominal())).sum())?;
    let mut surface = Vec::new();
    let mut body = Vec::new();
    let mut meshes = Vec::new();
    for (i, b) in bodies.iter().enumerate() {
        // Each body its own lattice; the first that of the seed itself.
        let seed = scanner.seed.wrapping_add((i as u64).wrapping_mul(0x9E37_79B9_7F4A_7C15));
        surface.extend(places(b, scanner.spacing_mm, seed));
        body.resize(surface.len(), i as u32);
        meshes.push(mesh(b));
    }
    let order = sights(&scanner.views, scanner.spacing_mm, &meshes, &surface);
    // Its own surface is rough below what hides or is hidden.
    let rough = |s: &Sight| bodies[body[s.place as usize] as usize].roughness_mm;
    let (points, normals) = write(scanner, &surface, &order, rough, scan_from_scene);
    let body = order.iter().map(|s| body[s.place as usize]).collect();
    Ok(Captured { points, normals, body, view: order.iter().map(|s| s.view).collect() })
}

/// Places of a body's made surface with its normals, in the scene.
fn places<Scene: Send + Sync>(body: &Body<'_, Scene>, spacing_mm: f64, seed: u64) -> Vec<(Point, Direction)> {
    let made = body.made;
    let place = |s: &Sample| {
        let (p, normal) = (made.point(&s.point), made.normal(&s.point, s.normal));
        body.pose.as_ref().map_or((p, normal), |pose| (pose.point(&p), pose.direction(normal)))
    };
    samples(made, spacing_mm, seed).par_iter().map(place).collect()
}

fn mesh<Scene: Send + Sync>(body: &Body<'_, Scene>) -> TriangleMesh {
    let made = body.made.mesh();
    let Some(pose) = &body.pose else { return made };
    let vertices = made.vertices().par_iter().map(|p| pose.point(p)).collect();
    TriangleMesh::new(vertices, made.triangles().to_vec()).expect("a motion keeps coordinates finite")
}

/// Adds noise and takes all to the scanner's axes.
fn write<Scene: Send + Sync>(
    scanner: &Scanner,
    surface: &[(Point, Direction)],
    order: &[Sight],
    rough: impl Fn(&Sight) -> f64 + Sync,
    scan_from_scene: &Motion<ScanFrame, Scene>,
) -> (Vec<Point>, Vec<Direction>) {
    let error_rad = if scanner.normal_error_rad.is_finite() { scanner.normal_error_rad } else { 0.0 };
    let work = |first: usize, chunk: &[Sight]| {
        // Each chunk its own stream, so that threads change nothing.
        let mut random = Random::seeded(scanner.seed.wrapping_mul(0x2545_F491_4F6C_DD1D) ^ first as u64);
        let mut made = Vec::with_capacity(chunk.len());
        for sight in chunk {
            let (p, normal) = surface[sight.place as usize];
            let mut p = p + normal.vector() * (scanner.noise_mm * random.normal());
            let roughness_mm = rough(sight);
            if roughness_mm > 0.0 {
                p += normal.vector() * (roughness_mm * random.normal());
            }
            let (a, b) = normal.frame();
            let lean = (a * random.normal() + b * random.normal()) * error_rad;
            let seen = Direction::new(normal.vector() + lean).unwrap_or(normal);
            made.push((scan_from_scene.point(&p), scan_from_scene.direction(seen)));
        }
        made
    };
    gather(order, work).into_iter().unzip()
}

/// Works on chunks of constant size and puts their results one after the other.
pub(super) fn gather<T: Sync, R: Send>(
    items: &[T],
    work: impl Fn(usize, &[T]) -> Vec<R> + Sync + Send,
) -> Vec<R> {
    sum::chunked(items, Vec::with_capacity(items.len()), work, |mut all, part| {
        all.extend(part);
        all
    })
}
