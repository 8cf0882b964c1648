//! How scans and points were taken: the contract's fields, the store's, and core's.

use scantling_core::uncertainty::{self, Conditions, InstrumentErrors};
use scantling_proto::v1;

use super::enums;
use super::fields::Fields;
use crate::instruments::InForce;
use crate::store::{Acquisition, MeshHistory, Restraint, SurfaceClass, TakenConditions};

/// More passes than any scan has.
const MOST_PASSES: i32 = 100_000;

/// A temperature that is known no better than this is not measured, K.
const MOST_TEMPERATURE_UNCERTAINTY_K: f64 = 100.0;

/// The conditions of an acquisition as it is sent.
pub(crate) fn taken(fields: &mut Fields, sent: &v1::Acquisition) -> TakenConditions {
    let errors = sent.instrument_errors.as_ref().map(errors_of).unwrap_or_default();
    for (name, problem) in errors.faults() {
        fields.wrong(&format!("acquisition.instrument_errors.{name}"), problem);
    }
    if let Some(u) = sent.temperature_standard_uncertainty_k {
        if !(u.is_finite() && (0.0..=MOST_TEMPERATURE_UNCERTAINTY_K).contains(&u)) {
            let words = format!("must be 0 to {MOST_TEMPERATURE_UNCERTAINTY_K} K; it is {u}");
            fields.wrong("acquisition.temperature_standard_uncertainty_k", words);
        } else if sent.temperature_c.is_none() {
            let words = "is of a temperature; state temperature_c too";
            fields.wrong("acquisition.temperature_standard_uncertainty_k", words);
        }
    }
    let gravity = match sent.gravity[..] {
        [] => None,
        [x, y, z] if [x, y, z].iter().all(|v| v.is_finite()) && x * x + y * y + z * z > 0.0 => {
            Some([x, y, z])
        }
        _ => {
            let words = "must be three numbers, x, y, z of the direction in which weight pulled, not all 0";
            fields.wrong("acquisition.gravity", words);
            None
        }
    };
    let surface_class = fields.surface_class("acquisition.surface_class", sent.surface_class);
    let mesh_history = match v1::MeshHistory::try_from(sent.mesh_history) {
        Ok(v1::MeshHistory::Unspecified) => None,
        Ok(v1::MeshHistory::Raw) => Some(MeshHistory::Raw),
        Ok(v1::MeshHistory::Smoothed) => Some(MeshHistory::Smoothed),
        Ok(v1::MeshHistory::HolesFilled) => Some(MeshHistory::HolesFilled),
        Err(_) => {
            let words = format!("{} is no mesh history of this version", sent.mesh_history);
            fields.wrong("acquisition.mesh_history", words);
            None
        }
    };
    let passes = sent.passes.and_then(|p| match u32::try_from(p) {
        Ok(passes) if passes > 0 && p <= MOST_PASSES => Some(passes),
        _ => {
            fields.wrong("acquisition.passes", format!("must be 1 to {MOST_PASSES}; it is {p}"));
            None
        }
    });
    TakenConditions {
        errors,
        supports: fields.text("acquisition.supports", sent.supports.clone()),
        gravity,
        matt_spray: sent.matt_spray,
        surface_class,
        mesh_history,
        passes,
        temperature_standard_k: sent.temperature_standard_uncertainty_k,
    }
}

/// Writes the conditions into an acquisition as it is answered.
pub(crate) fn of_taken(conditions: TakenConditions, into: v1::Acquisition) -> v1::Acquisition {
    let mesh_history = match conditions.mesh_history {
        None => v1::MeshHistory::Unspecified,
        Some(MeshHistory::Raw) => v1::MeshHistory::Raw,
        Some(MeshHistory::Smoothed) => v1::MeshHistory::Smoothed,
        Some(MeshHistory::HolesFilled) => v1::MeshHistory::HolesFilled,
    };
    let stated = conditions.errors != InstrumentErrors::default();
    v1::Acquisition {
        temperature_standard_uncertainty_k: conditions.temperature_standard_k,
        instrument_errors: stated.then(|| of_errors(&conditions.errors)),
        supports: conditions.supports,
        gravity: conditions.gravity.map_or_else(Vec::new, |g| g.to_vec()),
        matt_spray: conditions.matt_spray,
        surface_class: enums::of_surface_class(conditions.surface_class).into(),
        mesh_history: mesh_history.into(),
        passes: conditions.passes.and_then(|p| i32::try_from(p).ok()),
        ..into
    }
}

pub(crate) fn errors_of(sent: &v1::InstrumentErrors) -> InstrumentErrors {
    InstrumentErrors {
        point_noise_mm: sent.point_noise_mm,
        correlated_noise_mm: sent.correlated_noise_mm,
        correlation_length_mm: sent.correlation_length_mm,
        pass_seam_mm: sent.pass_seam_mm,
        pass_width_mm: sent.pass_width_mm,
        length_scale_mm_per_m: sent.length_scale_mm_per_m,
        distortion_mm: sent.distortion_mm,
        probing_mm: sent.probing_mm,
    }
}

pub(crate) fn of_errors(errors: &InstrumentErrors) -> v1::InstrumentErrors {
    v1::InstrumentErrors {
        point_noise_mm: errors.point_noise_mm,
        correlated_noise_mm: errors.correlated_noise_mm,
        correlation_length_mm: errors.correlation_length_mm,
        pass_seam_mm: errors.pass_seam_mm,
        pass_width_mm: errors.pass_width_mm,
        length_scale_mm_per_m: errors.length_scale_mm_per_m,
        distortion_mm: errors.distortion_mm,
        probing_mm: errors.probing_mm,
    }
}

/// The store's surface class in core's words.
pub(crate) fn core_surface(class: SurfaceClass) -> uncertainty::SurfaceClass {
    match class {
        SurfaceClass::Dull => uncertainty::SurfaceClass::Dull,
        SurfaceClass::Dark => uncertainty::SurfaceClass::Dark,
        SurfaceClass::Gloss => uncertainty::SurfaceClass::Gloss,
    }
}

/// What core is told of an acquisition, and of the instrument that it names where it names one of the register: of what is
/// stated with the acquisition and what its verification says the larger counts.
pub(crate) fn of_acquisition(acquisition: &Acquisition, in_force: Option<&InForce>) -> Conditions {
    let content = &acquisition.content;
    let more = &content.conditions;
    let stated = more.errors;
    let unnamed = content.instrument.trim().is_empty();
    Conditions {
        instrument: match in_force {
            Some(registered) if unnamed => registered.title.clone(),
            _ => content.instrument.clone(),
        },
        registered_instrument: in_force.map(|i| i.name.clone()).unwrap_or_default(),
        errors: in_force.map_or(stated, |i| stated.or_larger(&i.errors)),
        validity: in_force.map(|i| i.validity.clone()),
        restraint: match content.restraint {
            Restraint::Unstated => None,
            Restraint::FreeState => Some(uncertainty::Restraint::FreeState),
            Restraint::Fixture => Some(uncertainty::Restraint::Fixture),
        },
        supports: more.supports.clone(),
        gravity: more.gravity,
        matt_spray: more.matt_spray,
        surface_class: more.surface_class.map(core_surface),
        mesh_history: more.mesh_history.map(|m| match m {
            MeshHistory::Raw => uncertainty::MeshHistory::Raw,
            MeshHistory::Smoothed => uncertainty::MeshHistory::Smoothed,
            MeshHistory::HolesFilled => uncertainty::MeshHistory::HolesFilled,
        }),
        passes: more.passes,
        temperature_c: content.temperature_c,
        temperature_standard_k: more.temperature_standard_k,
    }
}
