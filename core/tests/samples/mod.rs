//! Small valid files of every format, for tests, examples and the fuzz targets' first inputs.

#![allow(clippy::unwrap_used, reason = "samples of a test are made or the test fails")]
#![allow(dead_code, unreachable_pub, reason = "each user takes some of them")]

use std::io::{Cursor, Write};

use e57::{E57Writer, Quaternion, Record, RecordDataType, RecordName, RecordValue, Transform, Translation};
use flate2::Compression;
use flate2::write::{DeflateEncoder, GzEncoder};
use scantling_core::geometry::{Direction, Point, TriangleMesh, Vector, math};
use scantling_core::simulate::{write_ply, write_ply_ascii, write_stl};

/// Twelve points on a curved sheet, in mm; no coordinate is short in binary.
pub fn points() -> Vec<Point> {
    (0..12)
        .map(|i| {
            let (x, y) = (f64::from(i % 4) * 10.1, f64::from(i / 4) * 9.7);
            Point::new(x - 15.0, y, 0.01 * x * x + 1.0 / 3.0)
        })
        .collect()
}

pub fn normals() -> Vec<Direction> {
    points().iter().map(|p| Direction::new(Vector::new(-0.02 * (p.x + 15.0), 0.0, 1.0)).unwrap()).collect()
}

pub fn triangles() -> Vec<[u32; 3]> {
    let quads = [0, 1, 2, 4, 5, 6];
    quads.iter().flat_map(|&q| [[q, q + 1, q + 5], [q, q + 5, q + 4]]).collect()
}

pub fn ply() -> Vec<u8> {
    write_ply(&points(), &normals())
}

pub fn ply_ascii() -> Vec<u8> {
    write_ply_ascii(&points(), &normals())
}

/// A mesh, big endian, with a list before the corners.
pub fn ply_mesh() -> Vec<u8> {
    let mut bytes = b"ply\nformat binary_big_endian 1.0\nelement vertex 12\nproperty double x\nproperty double y\nproperty double z\nelement face 12\nproperty list uchar float weights\nproperty list uchar int vertex_indices\nend_header\n".to_vec();
    for p in points() {
        p.iter().for_each(|c| bytes.extend(c.to_be_bytes()));
    }
    for t in triangles() {
        bytes.extend([0, 3]);
        t.iter().for_each(|c| bytes.extend(c.to_be_bytes()));
    }
    bytes
}

pub fn stl() -> Vec<u8> {
    write_stl(&TriangleMesh::new(points(), triangles()).unwrap())
}

pub fn stl_ascii() -> Vec<u8> {
    let points = points();
    let mut text = "solid sheet\n".to_owned();
    for t in triangles() {
        text += "facet normal 0 0 0\n outer loop\n";
        for p in t.map(|c| points[c as usize]) {
            text += &format!("  vertex {} {} {}\n", p.x, p.y, p.z);
        }
        text += " endloop\nendfacet\n";
    }
    (text + "endsolid sheet\n").into_bytes()
}

pub fn obj() -> Vec<u8> {
    let mut text = "# a sheet\nmtllib none.mtl\no sheet\n".to_owned();
    for p in points() {
        text += &format!("v {} {} {} 0.5 0.5 0.5\n", p.x, p.y, p.z);
    }
    for n in normals() {
        let n = n.vector();
        text += &format!("vn {} {} {}\n", n.x, n.y, n.z);
    }
    text += "vt 0 0\ng all\ns off\n";
    for [a, b, c] in triangles().into_iter().take(4) {
        text += &format!("f {0}//{0} {1}//{1} {2}//{2}\n", a + 1, b + 1, c + 1);
    }
    // Relative numbers, and a polygon of four corners.
    text += "f 5/1/5 6/1/6 10/1/10 -4/-1/-4\nf -7 -6 -2 -3\nf -6//-6 -5//-5 -1//-1\n";
    text.into_bytes()
}

/// Rows of coordinates, normals and an intensity.
fn rows(delimiter: &str) -> String {
    let mut text = String::new();
    for (i, (p, n)) in points().iter().zip(normals()).enumerate() {
        let n = n.vector();
        let row = [p.x, p.y, p.z, n.x, n.y, n.z, 7.5 * i as f64].map(|v| v.to_string());
        text += &(row.join(delimiter) + "\n");
    }
    text
}

pub fn xyz() -> Vec<u8> {
    rows(" ").into_bytes()
}

pub fn csv() -> Vec<u8> {
    format!("X [mm],Y [mm],Z [mm],nx,ny,nz,Intensity\n{}", rows(",")).into_bytes()
}

pub fn decimal_comma() -> Vec<u8> {
    format!("# geschrieben\nx;y;z;nx;ny;nz;intensity\n{}", rows(";").replace('.', ",")).into_bytes()
}

/// A count, then rows.
pub fn pts() -> Vec<u8> {
    format!("12\n{}", rows("\t")).into_bytes()
}

/// How the coordinates of an E57 are stored.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Stored {
    Double,
    Single,
    /// Whole numbers of 0.001 mm in 21 bits.
    Scaled,
    /// Range, azimuth and elevation as doubles.
    Spherical,
}

/// The pose of an E57's second scan: a quarter turn about z and a shift, in metres.
pub fn pose() -> Transform {
    let half = std::f64::consts::FRAC_1_SQRT_2;
    Transform {
        rotation: Quaternion { w: half, x: 0.0, y: 0.0, z: half },
        translation: Translation { x: 1.0, y: -2.0, z: 0.25 },
    }
}

/// Two scans in metres, the second one posed, each with an invalid point after every fourth, normals and
/// intensity; written by the `e57` crate.
pub fn e57(stored: Stored) -> Vec<u8> {
    let mut file = Cursor::new(Vec::new());
    let mut writer = E57Writer::new(&mut file, "file").unwrap();
    let url = "http://www.libe57.org/E57_NOR_surface_normals.txt";
    writer.register_extension(e57::Extension::new("nor", url)).unwrap();
    let scaled = RecordDataType::ScaledInteger { min: -1_000_000, max: 1_000_000, scale: 1e-6, offset: 0.0 };
    let place = match stored {
        Stored::Single => RecordDataType::F32,
        Stored::Scaled => scaled,
        Stored::Double | Stored::Spherical => RecordDataType::F64,
    };
    let spherical = stored == Stored::Spherical;
    let names = if spherical {
        [RecordName::SphericalRange, RecordName::SphericalAzimuth, RecordName::SphericalElevation]
    } else {
        [RecordName::CartesianX, RecordName::CartesianY, RecordName::CartesianZ]
    };
    let state = if spherical { RecordName::SphericalInvalidState } else { RecordName::CartesianInvalidState };
    let mut prototype: Vec<Record> =
        names.into_iter().map(|name| Record { name, data_type: place.clone() }).collect();
    prototype.push(Record { name: state, data_type: RecordDataType::Integer { min: 0, max: 2 } });
    for name in ["normalX", "normalY", "normalZ"] {
        let name = RecordName::Unknown { namespace: "nor".into(), name: name.into() };
        prototype.push(Record { name, data_type: RecordDataType::F32 });
    }
    prototype.push(Record {
        name: RecordName::Intensity,
        data_type: RecordDataType::Integer { min: 0, max: 1023 },
    });
    for (scan, transform) in [None, Some(pose())].into_iter().enumerate() {
        let mut cloud = writer.add_pointcloud(&format!("scan {scan}"), prototype.clone()).unwrap();
        cloud.set_transform(transform);
        for (i, (p, n)) in points().iter().zip(normals()).enumerate() {
            let m = p.coords / 1000.0;
            let place = match stored {
                Stored::Double => [m.x, m.y, m.z].map(RecordValue::Double),
                Stored::Single => [m.x, m.y, m.z].map(|c| RecordValue::Single(c as f32)),
                Stored::Scaled => {
                    [m.x, m.y, m.z].map(|c| RecordValue::ScaledInteger((c * 1e6).round() as i64))
                }
                Stored::Spherical => {
                    let range = m.norm();
                    let flat = (m.x * m.x + m.y * m.y).sqrt();
                    [range, math::atan2(m.y, m.x), math::atan2(m.z, flat)].map(RecordValue::Double)
                }
            };
            for valid in [true, false] {
                if !valid && i % 4 != 3 {
                    continue;
                }
                let n = n.vector();
                let mut values = place.to_vec();
                values.push(RecordValue::Integer(if valid { 0 } else { 2 }));
                values.extend([n.x, n.y, n.z].map(|c| RecordValue::Single(c as f32)));
                values.push(RecordValue::Integer(10 * i as i64));
                cloud.add_point(values).unwrap();
            }
        }
        cloud.finalize().unwrap();
    }
    writer.finalize().unwrap();
    drop(writer);
    file.into_inner()
}

pub fn gzip(content: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::default());
    encoder.write_all(content).unwrap();
    encoder.finish().unwrap()
}

/// A zip archive of these files, deflated.
pub fn zip(files: &[(&str, &[u8])]) -> Vec<u8> {
    let (mut bytes, mut directory) = (Vec::new(), Vec::new());
    for (name, content) in files {
        let mut encoder = DeflateEncoder::new(Vec::new(), Compression::default());
        encoder.write_all(content).unwrap();
        let packed = encoder.finish().unwrap();
        let mut crc = flate2::Crc::new();
        crc.update(content);
        let mut about = vec![20, 0, 0, 0, 8, 0, 0, 0, 0x21, 0];
        for number in [crc.sum(), packed.len() as u32, content.len() as u32] {
            about.extend(number.to_le_bytes());
        }
        about.extend([name.len() as u8, 0, 0, 0]);
        directory.extend(b"PK\x01\x02\x14\0");
        directory.extend(&about);
        directory.extend([0; 10]);
        directory.extend((bytes.len() as u32).to_le_bytes());
        directory.extend(name.as_bytes());
        bytes.extend(b"PK\x03\x04");
        bytes.extend(&about);
        bytes.extend(name.as_bytes());
        bytes.extend(packed);
    }
    let start = bytes.len() as u32;
    let count = (files.len() as u16).to_le_bytes();
    bytes.extend(&directory);
    bytes.extend(b"PK\x05\x06\0\0\0\0");
    bytes.extend([count, count].concat());
    bytes.extend((directory.len() as u32).to_le_bytes());
    bytes.extend(start.to_le_bytes());
    bytes.extend([0, 0]);
    bytes
}

/// What an arm exports: every column there is.
pub const POINTS: &str = "name,x,y,z,role,nx,ny,nz,diameter,u,nom_x,nom_y,nom_z,dir_x,dir_y,dir_z
P07,351.21,88.02,57.12,surface,0.1,0,0.99,,0.012,351.2,88,57.1,0.1,0,0.99
H1,35.02,119.99,0.01,centre,0,0,1,8.03,0.01,35,120,0,0,0,1
\"FLANGE\",12,40,-0.02,,,,,,,,,,,,
";

/// Decimal commas, comments, few columns.
pub const POINTS_RAW: &str = "# arm 2\nname;x;y;z\nFLANGE;1,5;-2;0,013\nFLANGE;30;-2,25;0\nA1;3e1;2;1\n";

pub const READINGS: &str = "characteristic,value,unit,expanded_uncertainty,instrument,operator
1,8.02,mm,0.03,\"calliper, C4\",AB
2,2.31,kg,0.01,scale 2,
";

pub const GAUGES: &str =
    "characteristic;value;passed;instrument\n7;;yes;plug gauge\n8;3,02;;calliper\n9;;fail;\n";

pub const SIMULATION: &str = r#"schema_version = 1
seed = 7
part = { window_surround = { size_scale = 1.1 } }
pose = { random = {} }
[scanner]
spacing_mm = 2.0
noise_mm = 0.02
correlated_noise = { deviation_mm = 0.01, length_mm = 20 }
noise_growth = 0.3
drop_out = { surface = "dark", patch_mm = 4 }
seams = { least_mm = 0.01, largest_mm = 0.03, turn_deg = 0.01 }
edge_radius_mm = 0.3
targets = { count = 5, diameter_mm = 6, thickness_mm = 0.1 }
[[scanner.view]]
from = [0, 0.5, 1]
[[deviation]]
dent = { centre_mm = [300, 20, 58], inward = [0, 0, -1], radius_mm = 30, flat = 0.4, depth_mm = 0.9, reach_mm = 5 }
[[deviation]]
warp = { centre_mm = [300, 200, 30], half_mm = [300, 200], out_mm = [0.1, 0.05, 0.02, 0.01] }
"#;

pub const SIMULATION_ON_A_TABLE: &str = r#"schema_version = 1
seed = 3
part = { nominal = {} }
scanner = { spacing_mm = 1.0, noise_mm = 0.02 }
pose = { given = { turn_deg = [0, 0, 30], shift_mm = [1, 2, 3] } }
[scene]
table = { length_mm = 2000, width_mm = 1500, roughness_mm = 0.05 }
[[scene.instance]]
at_mm = [100, 200]
turn_deg = 20
[[scene.instance]]
hand = "opposite"
at_mm = [-300, 200, 5]
[[scene.clamp]]
foot_mm = [10, 20, 0]
size_mm = [30, 20, 80]
"#;

/// Every sample of a scan with the fuzz target that takes it and a file name.
pub fn all() -> Vec<(&'static str, &'static str, Vec<u8>)> {
    vec![
        ("ply", "cloud.ply", ply()),
        ("ply", "cloud_ascii.ply", ply_ascii()),
        ("ply", "mesh.ply", ply_mesh()),
        ("stl", "binary.stl", stl()),
        ("stl", "ascii.stl", stl_ascii()),
        ("obj", "sheet.obj", obj()),
        ("text", "cloud.xyz", xyz()),
        ("text", "cloud.csv", csv()),
        ("text", "decimal_comma.csv", decimal_comma()),
        ("text", "cloud.pts", pts()),
        ("e57", "double.e57", e57(Stored::Double)),
        ("e57", "single.e57", e57(Stored::Single)),
        ("e57", "scaled.e57", e57(Stored::Scaled)),
        ("e57", "spherical.e57", e57(Stored::Spherical)),
        ("packed", "cloud.ply.gz", gzip(&ply())),
        ("packed", "cloud.zip", zip(&[("read.me", b"hello"), ("cloud.csv", &csv())])),
        ("packed", "scan.zip", zip(&[("scan.e57", &e57(Stored::Scaled))])),
    ]
}

/// The same of what is no scan: tables, simulations and stated layouts.
pub fn tables() -> Vec<(&'static str, &'static str, Vec<u8>)> {
    vec![
        ("points", "arm.csv", POINTS.into()),
        ("points", "raw.txt", POINTS_RAW.into()),
        ("readings", "callipers.csv", READINGS.into()),
        ("readings", "gauges.csv", GAUGES.into()),
        ("simulation", "bench.toml", SIMULATION.into()),
        ("simulation", "table.toml", SIMULATION_ON_A_TABLE.into()),
        ("layout", "whole.txt", "delimiter=space skip=1 x y z nx ny nz intensity".into()),
        ("layout", "columns.txt", "- X,Y, z".into()),
    ]
}
