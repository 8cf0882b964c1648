//! Associations: what is asked, and what was found.

use scantling_core::associate::{Association, Criterion, Extreme, Material, Reach, Shape, Uncertain};
use scantling_core::geometry::{Direction, Point, Vector};
use scantling_proto::v1;

use super::fields::Fields;

pub(crate) fn shape(value: i32) -> Option<Shape> {
    match v1::ShapeKind::try_from(value).ok()? {
        v1::ShapeKind::Unspecified => None,
        v1::ShapeKind::Line => Some(Shape::Line),
        v1::ShapeKind::Plane => Some(Shape::Plane),
        v1::ShapeKind::Circle => Some(Shape::Circle),
        v1::ShapeKind::Sphere => Some(Shape::Sphere),
        v1::ShapeKind::Cylinder => Some(Shape::Cylinder),
        v1::ShapeKind::Cone => Some(Shape::Cone),
        v1::ShapeKind::Torus => Some(Shape::Torus),
        v1::ShapeKind::Slot => Some(Shape::Slot),
    }
}

/// The criterion of a request, with the side of the material where it needs one.
pub(crate) fn criterion(fields: &mut Fields, sent: &v1::AssociateRequest) -> Option<Criterion> {
    let kind = v1::CriterionKind::try_from(sent.criterion).ok();
    let side = v1::MaterialSide::try_from(sent.material).ok();
    let (Some(kind), Some(side)) = (kind, side) else {
        let name = if kind.is_none() { "criterion" } else { "material" };
        fields.wrong(name, "is none that this service knows");
        return None;
    };
    let outside = kind == v1::CriterionKind::LeastSquaresOutside;
    let plane = shape(sent.shape) == Some(Shape::Plane);
    if side != v1::MaterialSide::Unspecified && (plane || !outside) {
        fields.wrong("material", "is for LEAST_SQUARES_OUTSIDE of a shape that is no plane; leave it out");
        return None;
    }
    if !(sent.outward.is_empty() || (outside && plane)) {
        fields.wrong("outward", "is for LEAST_SQUARES_OUTSIDE of a plane; leave it out");
        return None;
    }
    let material = match (outside, plane, side) {
        (false, ..) => None,
        (true, true, _) => {
            let outward = match sent.outward[..] {
                [x, y, z] => Direction::new(Vector::new(x, y, z)),
                _ => None,
            };
            if outward.is_none() {
                let words =
                    "must be three numbers, a direction out of the material: nothing else says where that is";
                fields.wrong("outward", words);
            }
            Some(Material::Behind(outward?))
        }
        (true, false, v1::MaterialSide::Around) => Some(Material::Around),
        (true, false, v1::MaterialSide::Within) => Some(Material::Within),
        (true, false, v1::MaterialSide::Unspecified) => {
            fields.wrong("material", "must be said: AROUND (a hole) or WITHIN (a shaft)");
            return None;
        }
    };
    Some(match kind {
        v1::CriterionKind::Unspecified | v1::CriterionKind::LeastSquares => Criterion::LeastSquares,
        v1::CriterionKind::MinimumZone => Criterion::MinimumZone,
        v1::CriterionKind::MaximumInscribed => Criterion::MaximumInscribed,
        v1::CriterionKind::MinimumCircumscribed => Criterion::MinimumCircumscribed,
        v1::CriterionKind::LeastSquaresOutside => Criterion::LeastSquaresOutside(material?),
    })
}

/// The answer, with the points that were associated.
pub(crate) fn associated(found: &Association, points: &[Point]) -> v1::AssociateResponse {
    let mut parameters = Vec::new();
    let mut add = |name: &str, value: f64, unit: &str| {
        parameters.push(v1::ShapeParameter { name: name.into(), value, unit: unit.into() });
    };
    let place = match found.shape {
        Shape::Circle | Shape::Sphere | Shape::Torus | Shape::Slot => "centre",
        _ => "point",
    };
    for (axis, value) in ["x", "y", "z"].iter().zip(found.point_mm) {
        add(&format!("{place}_{axis}"), value, "mm");
    }
    if let Some(direction) = found.direction.and_then(|d| Direction::new(Vector::from(d))) {
        let word = match found.shape {
            Shape::Plane | Shape::Circle | Shape::Slot => "normal",
            _ => "direction",
        };
        let v = direction.vector();
        for (axis, value) in [("x", v.x), ("y", v.y), ("z", v.z)] {
            add(&format!("{word}_{axis}"), value, "1");
        }
    }
    for (axis, value) in ["x", "y", "z"].iter().zip(found.along.iter().flatten()) {
        add(&format!("along_{axis}"), *value, "1");
    }
    if let Some(radius) = found.radius_mm {
        add(if found.shape == Shape::Torus { "ring_diameter" } else { "diameter" }, 2.0 * radius, "mm");
    }
    if let Some(radius) = found.minor_radius_mm {
        add("tube_diameter", 2.0 * radius, "mm");
    }
    for (name, value) in [("length", found.length_mm), ("width", found.width_mm)] {
        if let Some(value) = value {
            add(name, value, "mm");
        }
    }
    if let Some(half) = found.half_angle_rad {
        add("half_angle", half, "rad");
    }
    if let Some(apex) = found.apex_mm {
        for (axis, value) in ["x", "y", "z"].iter().zip(apex) {
            add(&format!("apex_{axis}"), value, "mm");
        }
    }
    let place =
        |index: u64| points.get(index as usize).map_or_else(Vec::new, |p| p.coords.as_slice().to_vec());
    let extreme = |e: Extreme| v1::Extreme { value_mm: e.residual_mm, at_mm: place(e.index) };
    let named = found.parameters.iter().map(|p| match p.along {
        Some([x, y, z]) => {
            format!("{} along ({x:.6}, {y:.6}, {z:.6}), {}", answered(found.shape, p).0, p.unit)
        }
        None => format!("{}, {}", answered(found.shape, p).0, p.unit),
    });
    let times: Vec<f64> = found.parameters.iter().map(|p| answered(found.shape, p).1).collect();
    let rows = found.covariance.iter().flatten().zip(&times);
    let covariance =
        rows.flat_map(|(row, by)| row.iter().zip(&times).map(move |(c, and)| c * by * and)).collect();
    v1::AssociateResponse {
        parameters,
        points: i64::try_from(found.points).unwrap_or(i64::MAX),
        form_error_mm: found.form_mm,
        minimum: Some(extreme(found.low)),
        maximum: Some(extreme(found.high)),
        rms_mm: found.rms_mm,
        noise_mm: found.noise_mm,
        covariance_of: named.collect(),
        covariance,
        criterion: told(&found.criterion),
        rivals: found.rivals.iter().map(|r| v1::ShapeAxis { direction: r.to_vec() }).collect(),
        out_of_plane: found.out_of_plane.map(|o| v1::OutOfPlane {
            form_error_mm: o.form_mm,
            rms_mm: o.rms_mm,
            noise_mm: o.noise_mm,
        }),
        notes: Vec::new(),
        cautions: found.cautions.clone(),
        contacts: found
            .contacts
            .iter()
            .map(|c| v1::ShapeContact {
                at_mm: place(c.index),
                value_mm: c.residual_mm,
                weight: c.weight,
                index: i64::try_from(c.index).unwrap_or(i64::MAX),
            })
            .collect(),
        proof: found.proof.map(|p| v1::ShapeProof {
            gain: p.gain,
            held: p.held,
            starts: i64::try_from(p.starts).unwrap_or(i64::MAX),
            arrived: i64::try_from(p.arrived).unwrap_or(i64::MAX),
            best_of_all: p.reach == Reach::Everywhere,
        }),
    }
}

/// A criterion in words.
fn told(name: &str) -> String {
    match name {
        "least_squares" => "least squares of the orthogonal distances".into(),
        "least_squares_outside" => "least squares of the orthogonal distances outside the material".into(),
        other => other.replace('_', " "),
    }
}

/// A radius is answered as a diameter: by that name and, in the covariance, as its double.
fn answered(shape: Shape, parameter: &Uncertain) -> (&str, f64) {
    match parameter.name.as_str() {
        "radius" if shape == Shape::Torus => ("ring_diameter", 2.0),
        "radius" => ("diameter", 2.0),
        "minor_radius" => ("tube_diameter", 2.0),
        other => (other, 1.0),
    }
}
