//! Points and meshes as files: PLY (Turk's format, 1994) and binary STL, in mm.

use crate::geometry::{Direction, Point, TriangleMesh, Vector};

fn header(format: &str, points: usize, normals: bool) -> String {
    let mut text = format!("ply\nformat {format} 1.0\ncomment lengths in mm\nelement vertex {points}\n");
    for name in ["x", "y", "z"] {
        text.push_str(&format!("property double {name}\n"));
    }
    if normals {
        for name in ["nx", "ny", "nz"] {
            text.push_str(&format!("property float {name}\n"));
        }
    }
    text.push_str("end_header\n");
    text
}

/// The normals, when there is one for each point.
fn matching<'a>(points: &[Point], normals: &'a [Direction]) -> Option<&'a [Direction]> {
    (normals.len() == points.len() && !normals.is_empty()).then_some(normals)
}

/// Binary little-endian PLY: coordinates as `double`, so that nothing is lost however far from the origin a
/// scan lies, normals as `float`. Without normals unless there is exactly one for each point.
pub fn write_ply(points: &[Point], normals: &[Direction]) -> Vec<u8> {
    let normals = matching(points, normals);
    let mut bytes = header("binary_little_endian", points.len(), normals.is_some()).into_bytes();
    for (i, p) in points.iter().enumerate() {
        p.iter().for_each(|c| bytes.extend(c.to_le_bytes()));
        if let Some(n) = normals.map(|n| n[i].vector()) {
            n.iter().for_each(|c| bytes.extend((*c as f32).to_le_bytes()));
        }
    }
    bytes
}

/// The same as text; numbers read back to the same bits.
pub fn write_ply_ascii(points: &[Point], normals: &[Direction]) -> Vec<u8> {
    let normals = matching(points, normals);
    let mut text = header("ascii", points.len(), normals.is_some());
    for (i, p) in points.iter().enumerate() {
        text.push_str(&format!("{} {} {}", p.x, p.y, p.z));
        if let Some(n) = normals.map(|n| n[i].vector()) {
            text.push_str(&format!(" {} {} {}", n.x as f32, n.y as f32, n.z as f32));
        }
        text.push('\n');
    }
    text.into_bytes()
}

/// Binary STL; its coordinates are `f32`, so that 1,000 mm are kept to 0.00003 mm. Corners shared in the
/// mesh have equal bits.
pub fn write_stl(mesh: &TriangleMesh) -> Vec<u8> {
    let triangles = mesh.triangles().len() as u32;
    let mut bytes = Vec::with_capacity(84 + 50 * mesh.triangles().len());
    let mut title = [b' '; 80];
    title[..13].copy_from_slice(b"lengths in mm");
    bytes.extend(title);
    bytes.extend(triangles.to_le_bytes());
    for t in 0..triangles {
        let normal = mesh.normal(t).map_or(Vector::zeros(), Direction::vector);
        let corners = mesh.corners(t);
        for v in std::iter::once(&normal).chain(corners.iter().map(|p| &p.coords)) {
            v.iter().for_each(|c| bytes.extend((*c as f32).to_le_bytes()));
        }
        bytes.extend([0, 0]);
    }
    bytes
}
