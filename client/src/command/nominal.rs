//! The nominal of a registered revision, fetched and read here.

use anyhow::Context as _;
use scantling_core::nominal::{NominalFile, Side};
use scantling_core::scan::LengthUnit;
use scantling_proto::v1::{self, GetRevisionRequest, SideOfMaterial};

use super::Context;
use crate::connect::{parts, patiently};
use crate::download::read;
use crate::exit::Exit;

/// The bytes of a revision's nominal, and how they are to be read.
pub(super) async fn of_revision(context: &Context, name: &str) -> anyhow::Result<(Vec<u8>, NominalFile)> {
    let mut client = parts(&context.channel);
    let asked = GetRevisionRequest { name: name.to_owned() };
    let revision = patiently(async || client.get_revision(asked.clone()).await)
        .await
        .with_context(|| format!("cannot find {name}"))?;
    if revision.nominal_blob.is_empty() {
        return Err(Exit::NotFoundOrConflict.because(format!("{name} has no nominal: its plan needs none")));
    }
    let mut bytes = Vec::new();
    read(&context.channel, &revision.nominal_blob, &mut bytes, &context.progress)
        .await
        .context("cannot fetch the nominal")?;
    let told = revision.plan.as_ref().and_then(|plan| plan.nominal.as_ref());
    let how = NominalFile {
        unit: unit(revision.nominal_length_unit()),
        side: told.map(|n| n.side_of_material()).and_then(side),
        part: told.and_then(|n| n.part.clone()),
    };
    Ok((bytes, how))
}

fn unit(unit: v1::LengthUnit) -> Option<LengthUnit> {
    Some(match unit {
        v1::LengthUnit::Micrometre => LengthUnit::Micrometre,
        v1::LengthUnit::Millimetre => LengthUnit::Millimetre,
        v1::LengthUnit::Centimetre => LengthUnit::Centimetre,
        v1::LengthUnit::Metre => LengthUnit::Metre,
        v1::LengthUnit::Inch => LengthUnit::Inch,
        v1::LengthUnit::Unspecified => return None,
    })
}

fn side(side: SideOfMaterial) -> Option<Side> {
    match side {
        SideOfMaterial::BehindNormal => Some(Side::BehindNormal),
        SideOfMaterial::InFrontOfNormal => Some(Side::InFrontOfNormal),
        SideOfMaterial::Unspecified => None,
    }
}
