//! Scans as they were taken.

use scantling_core::read::TextLayout;
use scantling_core::scan::LengthUnit;
use scantling_proto::v1;

use super::fields::Fields;
use super::status::Problem;
use super::{conditions, enums, name, time};
use crate::config::Limits;
use crate::store::{Acquisition, Content, NewAcquisition, Restraint};

/// Between absolute zero and the hottest oven of the trade: what lies outside is a slip of the unit.
const TEMPERATURE_C: std::ops::RangeInclusive<f64> = -273.15..=1000.0;

/// A day: clocks of instruments that stand in another time zone, or run fast.
const CLOCKS_APART_US: i64 = 24 * 3600 * 1_000_000;

pub(crate) fn new(limits: &Limits, sent: Option<v1::Acquisition>) -> Result<NewAcquisition, Problem> {
    let mut fields = Fields::new(limits);
    let Some(sent) = sent else { return Err(Problem::field("acquisition", "must be sent")) };
    let blob = fields.blob("acquisition.blob", &sent.blob);
    let length_unit = fields.length_unit("acquisition.length_unit", sent.length_unit);
    let restraint = enums::restraint(sent.restraint);
    if restraint.is_none() {
        fields.wrong("acquisition.restraint", format!("{} is no restraint of this version", sent.restraint));
    }
    let acquire_time_us = sent.acquire_time.as_ref().and_then(|at| {
        let us = time::microseconds(at);
        if us.is_none() {
            fields.wrong("acquisition.acquire_time", "must lie in the years 1 to 9999");
        }
        let latest = jiff::Timestamp::now().as_microsecond().saturating_add(CLOCKS_APART_US);
        if us.is_some_and(|us| us > latest) {
            fields.wrong("acquisition.acquire_time", "lies in the future; correct the date, or the clock");
        }
        us
    });
    if let Some(t) = sent.temperature_c
        && !TEMPERATURE_C.contains(&t)
    {
        fields.wrong(
            "acquisition.temperature_c",
            format!("must be in degrees Celsius, -273.15 to 1000; it is {t}"),
        );
    }
    let content = enums::content(sent.content);
    if content.is_none() {
        fields.wrong("acquisition.content", format!("{} is no content of this version", sent.content));
    }
    let content = content.unwrap_or(Content::Scan);
    let coordinates = enums::coordinates(sent.coordinates);
    match (content, coordinates) {
        (Content::Points, None) => fields.wrong(
            "acquisition.coordinates",
            "must be said of points: PART, when the instrument was aligned on the datums, or INSTRUMENT",
        ),
        (Content::Scan, Some(_)) => {
            fields.wrong("acquisition.coordinates", "is for points; leave it out for a scan");
        }
        _ => {}
    }
    if let Some(u) = sent.point_standard_uncertainty_mm {
        if content == Content::Scan {
            fields.wrong(
                "acquisition.point_standard_uncertainty_mm",
                "is for points; a scan shows its noise itself, leave it out",
            );
        } else if !(u.is_finite() && u > 0.0) {
            fields.wrong("acquisition.point_standard_uncertainty_mm", format!("must be above 0; it is {u}"));
        }
    }
    let columns = fields.text("acquisition.columns", sent.columns.clone());
    if let Err(error) = TextLayout::parse(&columns) {
        fields.wrong("acquisition.columns", error.to_string());
    } else if content == Content::Points && !columns.is_empty() {
        fields.wrong("acquisition.columns", "is for scans; the header of a file of points names its columns");
    }
    let conditions = conditions::taken(&mut fields, &sent);
    let registered_instrument = (!sent.registered_instrument.is_empty())
        .then(|| fields.instrument("acquisition.registered_instrument", &sent.registered_instrument));
    if registered_instrument.is_some() && sent.acquire_time.is_none() {
        fields.wrong(
            "acquisition.acquire_time",
            "must be said with an instrument of the register: its verification is that of the day",
        );
    }
    let instrument = fields.text("acquisition.instrument", sent.instrument.clone());
    let operator = fields.text("acquisition.operator", sent.operator.clone());
    fields.finish()?;
    Ok(NewAcquisition {
        blob: blob.map(|b| b.hex().to_owned()).unwrap_or_default(),
        length_unit: length_unit.unwrap_or(LengthUnit::Millimetre),
        instrument,
        operator,
        acquire_time_us,
        restraint: restraint.unwrap_or(Restraint::Unstated),
        temperature_c: sent.temperature_c,
        simulated: sent.simulated,
        content,
        columns,
        coordinates,
        point_standard_mm: sent.point_standard_uncertainty_mm,
        conditions,
        registered_instrument,
    })
}

pub(crate) fn of_acquisition(acquisition: Acquisition) -> v1::Acquisition {
    let content = acquisition.content;
    let plain = v1::Acquisition {
        name: name::of_acquisition(&acquisition.id),
        blob: name::of_blob(&content.blob),
        length_unit: enums::of_length_unit(content.length_unit).into(),
        instrument: content.instrument,
        operator: content.operator,
        acquire_time: content.acquire_time_us.map(time::timestamp),
        restraint: enums::of_restraint(content.restraint).into(),
        temperature_c: content.temperature_c,
        simulated: content.simulated,
        create_time: Some(time::timestamp(acquisition.create_time_us)),
        content: enums::of_content(content.content).into(),
        columns: content.columns,
        coordinates: enums::of_coordinates(content.coordinates).into(),
        point_standard_uncertainty_mm: content.point_standard_mm,
        registered_instrument: content
            .registered_instrument
            .as_deref()
            .map(name::of_instrument)
            .unwrap_or_default(),
        ..v1::Acquisition::default()
    };
    conditions::of_taken(content.conditions, plain)
}
