//! `part faces` and `part diff`: a nominal's faces, and those of two, found by this process itself. A service is asked for
//! the nominals of revisions only.

use std::io::Write;
use std::path::Path;

use scantling_core::geometry::{Direction, Point};
use scantling_core::nominal::{
    Carrier, Face, FaceChange, Fingerprint, Nominal, NominalPart, SAME_PLACE_MM, SurfaceKind, compare,
};
use scantling_core::plan::{bind, bind_each, changes, check_json, check_toml};
use scantling_server::report::{face_exactness, face_name, faces_page};
use serde::Serialize;

use super::Context;
use super::face_sources::{Source, Taken, Used, source};
use crate::args::{PartDiff, PartFaces};
use crate::download::{Output as File, unwritable};
use crate::exit::Exit;
use crate::input::Input;
use crate::output::Output;
use crate::report;

/// A face as tables and JSON tell it.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct FaceTold {
    /// `#1187` in a STEP file; counted from 1 on a mesh.
    pub(crate) face: String,
    #[serde(skip_serializing_if = "String::is_empty")]
    pub(crate) name_in_file: String,
    pub(crate) surface: &'static str,
    pub(crate) area_mm2: f64,
    pub(crate) centroid_mm: [f64; 3],
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) diameter_mm: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) angle_deg: Option<f64>,
    /// Outward normal or axis; of no sphere.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) direction: Option<[f64; 3]>,
    /// How distances from it are known: `exact`, `by descent`, `triangles`.
    pub(crate) distances: &'static str,
    pub(crate) neighbours: Vec<String>,
    /// Of which part of the file, and in which occurrence of it, where the file tells parts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) part: Option<String>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub(crate) occurrence: Vec<String>,
    /// A place on a face that was found on a mesh, or on the axis of a hollow one, and the outward normal there: by those a plan
    /// picks it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) pick: Option<PickTold>,
}

/// A place by which a plan picks a face.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct PickTold {
    pub(crate) near_mm: [f64; 3],
    /// Of no cylinder: a plan's holes take the axis for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) facing: Option<[f64; 3]>,
}

/// A part of a STEP file in one of its places.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct PartTold {
    pub(crate) part: String,
    /// The names of the occurrences on the way to it, the outermost first; none of a part by itself.
    pub(crate) occurrence: Vec<String>,
    /// How many faces it has here.
    pub(crate) faces: usize,
}

/// A face that could not be taken over.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct MissingTold {
    pub(crate) face: String,
    pub(crate) why: String,
}

/// What `part faces` tells.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct FacesTold {
    pub(crate) file: String,
    pub(crate) closed: bool,
    pub(crate) size_mm: [f64; 3],
    /// None of a mesh.
    pub(crate) parts: Vec<PartTold>,
    pub(crate) faces: Vec<FaceTold>,
    pub(crate) missing: Vec<MissingTold>,
    pub(crate) notes: Vec<String>,
}

/// What became of a face.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct ChangeTold {
    /// `moved`, `altered`, `gone` or `new`; `not found` and `not found before` where the other file has faces that could not be
    /// taken over, for it may be one of those.
    pub(crate) what: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) before: Option<FaceTold>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) after: Option<FaceTold>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) moved_mm: Option<f64>,
}

/// The names of one face in both.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct NamesTold {
    pub(crate) before: String,
    pub(crate) after: String,
}

/// What must be known of a file that is compared.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct SideTold {
    pub(crate) file: String,
    pub(crate) missing: Vec<MissingTold>,
    pub(crate) notes: Vec<String>,
}

/// What `part diff` tells.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct DiffTold {
    pub(crate) before: SideTold,
    pub(crate) after: SideTold,
    /// Faces that lie nearer than this to where they were are the same, mm.
    pub(crate) same_within_mm: f64,
    pub(crate) same: usize,
    /// Of those that are the same, whatever their names.
    pub(crate) names: Vec<NamesTold>,
    pub(crate) faces: Vec<ChangeTold>,
    /// Of a plan's features, `H1 moved by 3.00 mm`; `None` without a plan.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) features: Option<Vec<String>>,
}

/// `context` where a revision is named.
pub(crate) async fn faces(
    context: Option<&Context>,
    output: Output,
    args: PartFaces,
) -> anyhow::Result<Exit> {
    let source = source(context, args.nominal).await?;
    let as_plan = args.as_plan;
    let told = tokio::task::spawn_blocking(move || -> anyhow::Result<FacesTold> {
        let mut used = Used::default();
        let Taken { name, nominal, parts } = source.nominal(&args.read, &mut used)?;
        used.check(&args.read, &[&name])?;
        if let Some(to) = &args.html {
            let mut file = File::at(to)?;
            // Where the file lies is nobody's business who reads the page.
            let called = match &source {
                Source::File(path) => path.file_name().map(|n| n.to_string_lossy().into_owned()),
                Source::Revision { .. } => None,
            };
            let page = faces_page(&nominal, &parts, called.as_ref().unwrap_or(&name))?;
            file.file().write_all(page.as_bytes()).map_err(|e| unwritable(to, &e))?;
            file.finish()?;
        }
        Ok(told(name, &nominal, &parts))
    })
    .await??;
    output.fields(&told, if as_plan { report::faces::as_plan } else { report::faces::faces })?;
    Ok(Exit::Success)
}

/// `context` where a revision is named.
pub(crate) async fn diff(context: Option<&Context>, output: Output, args: PartDiff) -> anyhow::Result<Exit> {
    let (before, after) = (source(context, args.before).await?, source(context, args.after).await?);
    let told = tokio::task::spawn_blocking(move || -> anyhow::Result<DiffTold> {
        let mut used = Used::default();
        let (before, after) = (before.nominal(&args.read, &mut used)?, after.nominal(&args.read, &mut used)?);
        used.check(&args.read, &[&before.name, &after.name])?;
        let mut told = difference(&before, &after);
        if let Some(plan) = &args.plan {
            told.features = Some(features(plan, &before.nominal, &after.nominal)?);
        }
        Ok(told)
    })
    .await??;
    output.fields(&told, report::faces::diff)?;
    Ok(Exit::Success)
}

fn missing(nominal: &Nominal) -> Vec<MissingTold> {
    let of = |(id, why): &(u64, String)| MissingTold { face: format!("#{id}"), why: why.clone() };
    nominal.missing().iter().map(of).collect()
}

fn told(file: String, nominal: &Nominal, parts: &[NominalPart]) -> FacesTold {
    let faces: Vec<FaceTold> = (0..nominal.faces().len()).map(|i| face(nominal, parts, i)).collect();
    let keys = || nominal.faces().iter().filter_map(|f| f.key);
    let part = |p: &NominalPart| PartTold {
        part: p.name.clone(),
        occurrence: p.occurrence.clone(),
        faces: keys().filter(|&key| p.holds(key)).count(),
    };
    FacesTold {
        file,
        closed: nominal.closed(),
        size_mm: nominal.mesh().bounds().size().into(),
        parts: parts.iter().map(part).collect(),
        faces,
        missing: missing(nominal),
        notes: nominal.notes().to_vec(),
    }
}

fn face(nominal: &Nominal, parts: &[NominalPart], index: usize) -> FaceTold {
    let all = nominal.faces();
    let own: &Face = &all[index];
    let part = own.key.and_then(|key| parts.iter().find(|p| p.holds(key)));
    let print = Fingerprint::of(nominal, index as u32);
    let cone = print.kind == SurfaceKind::Cone;
    FaceTold {
        face: face_name(index, own),
        name_in_file: own.label.clone(),
        surface: print.kind.word(),
        area_mm2: print.area_mm2,
        centroid_mm: print.centroid.coords.into(),
        diameter_mm: print.size.filter(|_| !cone),
        angle_deg: print.size.filter(|_| cone).map(f64::to_degrees),
        direction: print.direction.map(|d| d.vector().into()),
        distances: face_exactness(own),
        neighbours: own.neighbours.iter().map(|&n| face_name(n as usize, &all[n as usize])).collect(),
        part: part.map(|p| p.name.clone()),
        occurrence: part.map_or_else(Vec::new, |p| p.occurrence.clone()),
        pick: if own.key.is_none() { pick(nominal, own) } else { None },
    }
}

/// The middle of the largest triangle of a face, or of the axis of a hollow cylinder, which is as far from all of its wall;
/// `None` where no triangle has area.
fn pick(nominal: &Nominal, face: &Face) -> Option<PickTold> {
    let mesh = nominal.mesh();
    let mut largest: Option<(f64, u32)> = None;
    for &t in &face.triangles {
        let area = mesh.area(t);
        if largest.is_none_or(|(most, _)| area > most) {
            largest = Some((area, t));
        }
    }
    let (_, t) = largest?;
    let [a, b, c] = mesh.corners(t);
    let facing = mesh.normal(t)?;
    let middle = (a.coords + b.coords + c.coords) / 3.0;
    let on_axis =
        |point: Point, axis: Direction| point + axis.vector() * (face.centroid - point).dot(&axis.vector());
    Some(match face.carrier {
        // Of a wall that goes less than about three quarters round the middle lies far off the axis.
        Some(Carrier::Cylinder { point, axis, radius_mm, hollow: true })
            if (on_axis(point, axis) - face.centroid).norm() < 0.3 * radius_mm =>
        {
            PickTold { near_mm: on_axis(point, axis).coords.into(), facing: None }
        }
        Some(Carrier::Cylinder { .. }) => PickTold { near_mm: middle.into(), facing: None },
        _ => PickTold { near_mm: middle.into(), facing: Some(facing.vector().into()) },
    })
}

fn difference(before: &Taken, after: &Taken) -> DiffTold {
    let (mut names, mut faces) = (Vec::new(), Vec::new());
    let name = |nominal: &Nominal, i: u32| face_name(i as usize, &nominal.faces()[i as usize]);
    let of = |taken: &Taken, i: u32| Some(face(&taken.nominal, &taken.parts, i as usize));
    let (old, new) = (|i: u32| of(before, i), |j: u32| of(after, j));
    let side = |taken: &Taken| SideTold {
        file: taken.name.clone(),
        missing: missing(&taken.nominal),
        notes: taken.nominal.notes().to_vec(),
    };
    let (told_before, told_after) = (side(before), side(after));
    let gone = if told_after.missing.is_empty() { "gone" } else { "not found" };
    let fresh = if told_before.missing.is_empty() { "new" } else { "not found before" };
    let (before, after) = (&before.nominal, &after.nominal);
    for change in compare(before, after) {
        let (what, before, after, moved_mm) = match change {
            FaceChange::Same(i, j) => {
                names.push(NamesTold { before: name(before, i), after: name(after, j) });
                continue;
            }
            FaceChange::Moved(i, j, apart_mm) => ("moved", old(i), new(j), Some(apart_mm)),
            FaceChange::Altered(i, j) => ("altered", old(i), new(j), None),
            FaceChange::Gone(i) => (gone, old(i), None, None),
            FaceChange::New(j) => (fresh, None, new(j), None),
        };
        faces.push(ChangeTold { what, before, after, moved_mm });
    }
    DiffTold {
        before: told_before,
        after: told_after,
        same_within_mm: SAME_PLACE_MM,
        same: names.len(),
        names,
        faces,
        features: None,
    }
}

/// What becomes of a plan's features when it is bound on the second nominal instead of the first.
fn features(plan: &Path, before: &Nominal, after: &Nominal) -> anyhow::Result<Vec<String>> {
    let mut input = Input::open(plan)?;
    let text = input.text()?;
    let text = text.strip_prefix('\u{feff}').unwrap_or(&text);
    let checked = if text.trim_start().starts_with('{') { check_json(text) } else { check_toml(text) };
    let refused = |what: &str, faults: Vec<scantling_core::plan::Fault>| {
        let lines: Vec<String> = faults.iter().map(|f| format!("{}: {}", f.place, f.problem)).collect();
        Exit::Refused.because(format!("{what}\n{}", lines.join("\n")))
    };
    let (_, plan) = checked.map_err(|f| refused("the plan has faults", f))?;
    let old = bind(&plan, Some(before)).map_err(|f| refused("the plan does not fit the first nominal", f))?;
    let new = bind_each(&plan, Some(after));
    let mut was = old.lies(Some(before));
    let is = new.lies(Some(after));
    // What is not found again is what is asked here, and no fault of the question.
    let mut told: Vec<String> = new.faults.iter().map(|f| f.problem.clone()).collect();
    for (i, (feature, found)) in plan.features.iter().zip(&new.features).enumerate() {
        if found.is_some() {
            continue;
        }
        was.retain(|lies| lies.feature != feature.id);
        // What is made of others has no fault of its own when one of them has.
        let own = format!("feature[{i}].");
        if !new.faults.iter().any(|f| f.place.starts_with(&own)) {
            told.push(format!("{} is lost with a feature that it is made of", feature.id));
        }
    }
    told.extend(new.remarks);
    told.extend(changes(&was, &is).into_iter().map(|c| format!("{} {}", c.feature, c.what)));
    Ok(told)
}
