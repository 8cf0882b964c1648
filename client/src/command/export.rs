//! `record export`: deviation and coverage at every vertex of the nominal.

use super::{Context, measure};
use crate::args::{ExportForm, RecordExport};
use crate::download::download;
use crate::exit::Exit;
use crate::names;

pub(super) async fn run(context: &Context, args: RecordExport) -> anyhow::Result<Exit> {
    let inspection = measure::get(context, names::inspection(&args.name)?).await?;
    let Some(blob) = &inspection.deviation_blob else {
        return Err(Exit::NotFoundOrConflict.because(format!(
            "{} has no deviations: it has no verdict, or was measured without a scan",
            inspection.name
        )));
    };
    match args.form {
        ExportForm::Raw => download(&context.channel, blob, &args.to, &context.progress).await?,
        form => on_nominal(context, &inspection, blob, form, &args.to).await?,
    }
    context.progress.say(&format!("saved as {}", args.to.display()));
    Ok(Exit::Success)
}

#[cfg(not(feature = "embedded"))]
async fn on_nominal(
    _: &Context,
    _: &scantling_proto::v1::Inspection,
    _: &str,
    _: ExportForm,
    _: &std::path::Path,
) -> anyhow::Result<()> {
    Err(Exit::Usage.because(
        "this program was built without the reader of nominals that ply and csv need; take --form raw, or a \
         program built with its feature `embedded`",
    ))
}

#[cfg(feature = "embedded")]
use mapped::on_nominal;

#[cfg(feature = "embedded")]
mod mapped {
    use std::io::{self, BufWriter, Write};
    use std::path::Path;

    use anyhow::Context as _;
    use scantling_core::geometry::TriangleMesh;
    use scantling_core::nominal;
    use scantling_core::record::DeviationMap;
    use scantling_core::run::quiet;
    use scantling_proto::v1::Inspection;

    use super::{Context, ExportForm};
    use crate::command::nominal::of_revision;
    use crate::download::{Output, read, unwritable};

    pub(super) async fn on_nominal(
        context: &Context,
        inspection: &Inspection,
        blob: &str,
        form: ExportForm,
        to: &Path,
    ) -> anyhow::Result<()> {
        let mut output = Output::at(to)?;
        let (nominal, told) = of_revision(context, &inspection.revision).await?;
        let mut deviations = Vec::new();
        read(&context.channel, blob, &mut deviations, &context.progress)
            .await
            .context("cannot fetch the deviations")?;
        let file = output.file().try_clone().map_err(|e| unwritable(to, &e))?;
        let written = tokio::task::spawn_blocking(move || -> anyhow::Result<io::Result<()>> {
            let nominal = nominal::read(&nominal, &told, &quiet())?;
            let map = DeviationMap::from_bytes(&deviations).context("the blob holds no deviations")?;
            let mesh = nominal.mesh();
            anyhow::ensure!(
                map.deviation_mm.len() == mesh.vertices().len(),
                "there are {} deviations and {} vertices of the nominal",
                map.deviation_mm.len(),
                mesh.vertices().len()
            );
            let mut file = BufWriter::new(file);
            let written = match form {
                ExportForm::Csv => csv(&mut file, mesh, &map),
                _ => ply(&mut file, mesh, &map),
            };
            Ok(written.and_then(|()| file.flush()))
        })
        .await?
        .context("the nominal and the deviations cannot be joined")?;
        written.map_err(|e| unwritable(to, &e))?;
        output.finish()
    }

    /// A line for each vertex; where nothing was seen the deviation is empty.
    fn csv(to: &mut impl Write, mesh: &TriangleMesh, map: &DeviationMap) -> io::Result<()> {
        writeln!(to, "x_mm,y_mm,z_mm,deviation_mm,coverage")?;
        for (k, p) in mesh.vertices().iter().enumerate() {
            let deviation = map.deviation_mm[k].map_or(String::new(), |d| d.to_string());
            writeln!(to, "{},{},{},{deviation},{}", p.x, p.y, p.z, map.coverage[k])?;
        }
        Ok(())
    }

    /// Binary, little endian, with the nominal's faces; where nothing was seen the deviation is NaN.
    fn ply(to: &mut impl Write, mesh: &TriangleMesh, map: &DeviationMap) -> io::Result<()> {
        write!(
            to,
            "ply\nformat binary_little_endian 1.0\ncomment lengths in mm; deviation_mm is NaN where nothing was \
             seen\nelement vertex {}\nproperty double x\nproperty double y\nproperty double z\nproperty float \
             deviation_mm\nproperty float coverage\nelement face {}\nproperty list uchar int vertex_indices\n\
             end_header\n",
            mesh.vertices().len(),
            mesh.triangles().len()
        )?;
        for (k, p) in mesh.vertices().iter().enumerate() {
            for v in [p.x, p.y, p.z] {
                to.write_all(&v.to_le_bytes())?;
            }
            to.write_all(&map.deviation_mm[k].unwrap_or(f32::NAN).to_le_bytes())?;
            to.write_all(&map.coverage[k].to_le_bytes())?;
        }
        for corners in mesh.triangles() {
            to.write_all(&[3])?;
            for c in corners {
                // The format's word for an index is a signed integer of 32 bits.
                let c = i32::try_from(*c).map_err(io::Error::other)?;
                to.write_all(&c.to_le_bytes())?;
            }
        }
        Ok(())
    }

    #[cfg(test)]
    mod tests {
        use super::*;
        use scantling_core::geometry::Point;

        fn sample() -> (TriangleMesh, DeviationMap) {
            let corners = [[0.0, 0.0, 0.0], [1.5, 0.0, 0.0], [0.0, 2.0, 0.0], [0.0, 0.0, 3.0]];
            let vertices = corners.iter().map(|[x, y, z]| Point::new(*x, *y, *z)).collect();
            let mesh = TriangleMesh::new(vertices, vec![[0, 1, 2], [0, 3, 1]]).expect("a mesh");
            let map = DeviationMap {
                deviation_mm: vec![Some(0.25), None, Some(-0.5), Some(0.0)],
                coverage: vec![1.0, 0.0, 0.5, 0.25],
            };
            (mesh, map)
        }

        #[test]
        fn what_was_not_seen_is_empty_and_no_number() {
            let (mesh, map) = sample();
            let mut bytes = Vec::new();
            csv(&mut bytes, &mesh, &map).expect("written");
            assert_eq!(
                String::from_utf8(bytes).expect("text"),
                "x_mm,y_mm,z_mm,deviation_mm,coverage\n0,0,0,0.25,1\n1.5,0,0,,0\n0,2,0,-0.5,0.5\n0,0,3,0,0.25\n"
            );
        }

        #[test]
        fn a_reader_finds_vertices_and_faces_again() {
            let (mesh, map) = sample();
            let mut bytes = Vec::new();
            ply(&mut bytes, &mesh, &map).expect("written");
            let read = scantling_core::read::read(&bytes, &quiet()).expect("a good file");
            assert_eq!(read.points, mesh.vertices());
            assert_eq!(read.triangles, mesh.triangles());
            // The last number of the first vertex, before which its deviation stands.
            let head = bytes.windows(11).position(|w| w == b"end_header\n").expect("a header") + 11;
            assert_eq!(bytes[head + 24..head + 28], 0.25f32.to_le_bytes());
            assert_eq!(bytes[head + 28..head + 32], 1f32.to_le_bytes());
            let second = head + 32 + 24;
            assert!(f32::from_le_bytes(bytes[second..second + 4].try_into().expect("four")).is_nan());
        }
    }
}
