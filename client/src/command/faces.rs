//! `part faces` and `part diff`: a nominal's faces, and those of two, found by this process itself. A service is asked for
//! the nominals of revisions only.

use std::io::Write;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use scantling_core::nominal::{
    Face, FaceChange, Fingerprint, Nominal, NominalFile, NominalFileError, Side, SurfaceKind, compare, read,
};
use scantling_core::plan::{bind, changes, check_json, check_toml};
use scantling_core::run::{Limits, quiet};
use scantling_server::report::{face_exactness, face_name, faces_page};
use serde::Serialize;

use super::Context;
use super::nominal::of_revision;
use crate::args::{MaterialSide, NominalArgs, NominalPlace, PartDiff, PartFaces};
use crate::download::{Output as File, unwritable};
use crate::exit::Exit;
use crate::input::Input;
use crate::names::short_revision;
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
    pub(crate) faces: Vec<FaceTold>,
    pub(crate) missing: Vec<MissingTold>,
    pub(crate) notes: Vec<String>,
}

/// What became of a face.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct ChangeTold {
    /// `same`, `moved`, `altered`, `gone` or `new`.
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

/// What `part diff` tells.
#[derive(Clone, Debug, Serialize)]
pub(crate) struct DiffTold {
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
        let (name, nominal) = source.nominal(&args.read)?;
        if let Some(to) = &args.html {
            let mut file = File::at(to)?;
            // Where the file lies is nobody's business who reads the page.
            let called = match &source {
                Source::File(path) => path.file_name().map(|n| n.to_string_lossy().into_owned()),
                Source::Revision { .. } => None,
            };
            let page = faces_page(&nominal, called.as_ref().unwrap_or(&name))?;
            file.file().write_all(page.as_bytes()).map_err(|e| unwritable(to, &e))?;
            file.finish()?;
        }
        Ok(told(name, &nominal))
    })
    .await??;
    output.fields(&told, if as_plan { report::faces::as_plan } else { report::faces::faces })?;
    Ok(Exit::Success)
}

/// `context` where a revision is named.
pub(crate) async fn diff(context: Option<&Context>, output: Output, args: PartDiff) -> anyhow::Result<Exit> {
    let (before, after) = (source(context, args.before).await?, source(context, args.after).await?);
    let told = tokio::task::spawn_blocking(move || -> anyhow::Result<DiffTold> {
        let ((_, before), (_, after)) = (before.nominal(&args.read)?, after.nominal(&args.read)?);
        let mut told = difference(&before, &after);
        if let Some(plan) = &args.plan {
            told.features = Some(features(plan, &before, &after)?);
        }
        Ok(told)
    })
    .await??;
    output.fields(&told, report::faces::diff)?;
    Ok(Exit::Success)
}

/// What a nominal is read from.
enum Source {
    File(PathBuf),
    Revision { name: String, bytes: Vec<u8>, how: NominalFile },
}

async fn source(context: Option<&Context>, place: NominalPlace) -> anyhow::Result<Source> {
    Ok(match place {
        NominalPlace::File(path) => Source::File(path),
        NominalPlace::Revision(name) => {
            let context = context.context("a revision is asked for without a service")?;
            let (bytes, how) = of_revision(context, &name).await?;
            Source::Revision { name: short_revision(&name), bytes, how }
        }
    })
}

impl Source {
    /// What to call it, and the nominal. Blocks.
    fn nominal(&self, args: &NominalArgs) -> anyhow::Result<(String, Nominal)> {
        let refused =
            |name: &str, e: NominalFileError| Exit::Refused.because(format!("cannot read {name}: {e}"));
        match self {
            Self::File(path) => {
                let mut input = Input::open(path)?;
                let bytes = input.bytes(Limits::default().file_bytes)?;
                let side = args.side.map(|side| match side {
                    MaterialSide::BehindNormal => Side::BehindNormal,
                    MaterialSide::InFrontOfNormal => Side::InFrontOfNormal,
                });
                let how = NominalFile { unit: args.unit.map(Into::into), side, part: args.part.clone() };
                let nominal = read(&bytes, &how, &quiet()).map_err(|e| refused(&input.name, e))?;
                Ok((input.name, nominal))
            }
            Self::Revision { name, bytes, how } => {
                let nominal = read(bytes, how, &quiet()).map_err(|e| refused(name, e))?;
                Ok((name.clone(), nominal))
            }
        }
    }
}

fn told(file: String, nominal: &Nominal) -> FacesTold {
    FacesTold {
        file,
        closed: nominal.closed(),
        size_mm: nominal.mesh().bounds().size().into(),
        faces: (0..nominal.faces().len()).map(|i| face(nominal, i)).collect(),
        missing: nominal
            .missing()
            .iter()
            .map(|(id, why)| MissingTold { face: format!("#{id}"), why: why.clone() })
            .collect(),
        notes: nominal.notes().to_vec(),
    }
}

fn face(nominal: &Nominal, index: usize) -> FaceTold {
    let all = nominal.faces();
    let own: &Face = &all[index];
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
    }
}

fn difference(before: &Nominal, after: &Nominal) -> DiffTold {
    let (mut names, mut faces) = (Vec::new(), Vec::new());
    let name = |nominal: &Nominal, i: u32| face_name(i as usize, &nominal.faces()[i as usize]);
    let (old, new) = (|i: u32| Some(face(before, i as usize)), |j: u32| Some(face(after, j as usize)));
    for change in compare(before, after) {
        let (what, before, after, moved_mm) = match change {
            FaceChange::Same(i, j) => {
                names.push(NamesTold { before: name(before, i), after: name(after, j) });
                continue;
            }
            FaceChange::Moved(i, j, apart_mm) => ("moved", old(i), new(j), Some(apart_mm)),
            FaceChange::Altered(i, j) => ("altered", old(i), new(j), None),
            FaceChange::Gone(i) => ("gone", old(i), None, None),
            FaceChange::New(j) => ("new", None, new(j), None),
        };
        faces.push(ChangeTold { what, before, after, moved_mm });
    }
    DiffTold { same: names.len(), names, faces, features: None }
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
    match bind(&plan, Some(after)) {
        Ok(new) => {
            let changed = changes(&old.lies(Some(before)), &new.lies(Some(after)));
            let changed = changed.into_iter().map(|c| format!("{} {}", c.feature, c.what));
            Ok(new.remarks.into_iter().chain(changed).collect())
        }
        // What is not found again is what is asked here, and no fault of the question.
        Err(faults) => Ok(faults.into_iter().map(|f| f.problem).collect()),
    }
}
