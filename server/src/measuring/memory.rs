//! How much memory an inspection will take, foretold before its files are read, and who has it.

use std::io::{self, Read};
use std::sync::Arc;
use std::time::Duration;

use scantling_core::nominal::NominalFile;
use scantling_core::plan::check_json;
use scantling_core::read::{self, Format, Header, step};
use scantling_core::{inspect, points};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use super::sums::{ScanAsk, ScanFrom};
use super::{MeasureError, internal, missing_or_passing};
use crate::blobs::Digest;
use crate::nominals::Key;
use crate::plans;
use crate::service::Service;
use crate::store::{Content, Failure, NewAcquisition, NewRevision};

/// So much of a file is read to foretell what is in it.
const BEGINNING: u64 = 1 << 20;
/// The shortest point that a text file can hold: three digits, each with a separator.
const SHORTEST_POINT: u64 = 6;
/// A STEP file that is not at hand as a nominal is taken to have a triangle for so many bytes: of the 11 files of NIST that
/// `tests/compare/run step` reads, the densest has one for 11.6 at 0.01 mm.
const BYTES_PER_TRIANGLE: u64 = 8;
const MEBIBYTE: u64 = 1 << 20;
/// So long who asks for one number waits for memory; then the service is busy.
const SOON: Duration = Duration::from_secs(10);

/// Memory that inspections share. Who finds too little of it free waits, first come first served.
#[derive(Debug)]
pub(crate) struct Memory {
    mebibytes: Arc<Semaphore>,
    limit_bytes: u64,
}

impl Memory {
    pub(crate) fn new(limit_bytes: u64) -> Self {
        let mebibytes = u32::try_from(limit_bytes / MEBIBYTE).unwrap_or(u32::MAX);
        // On 32 bits a semaphore counts less than that.
        let places = (mebibytes as usize).min(Semaphore::MAX_PERMITS);
        Self { mebibytes: Arc::new(Semaphore::new(places)), limit_bytes }
    }

    /// A share of the memory for a sum, whose caller waits: `None` when none is free soon.
    ///
    /// # Errors
    /// When it is more than all of it.
    pub(crate) async fn share_soon(&self, bytes: u64) -> Result<Option<OwnedSemaphorePermit>, MeasureError> {
        tokio::time::timeout(SOON, self.share(bytes)).await.ok().transpose()
    }

    /// A share of the memory, once it is free; it ends with the permit.
    ///
    /// # Errors
    /// When it is more than all of it.
    pub(crate) async fn share(&self, bytes: u64) -> Result<OwnedSemaphorePermit, MeasureError> {
        let failed = || {
            let gibibytes = |bytes: u64| bytes as f64 / (1u64 << 30) as f64;
            MeasureError::Failed {
                failure: Failure::LimitExceeded,
                reason: format!(
                    "it would take about {:.1} GiB of memory, and the limit is {:.1} GiB: thin the scan out (simulate \
                     it with a wider spacing), cut it down to the part, or raise the setting inspection_memory_bytes",
                    gibibytes(bytes),
                    gibibytes(self.limit_bytes)
                ),
            }
        };
        if bytes > self.limit_bytes {
            return Err(failed());
        }
        // What is left over above whole units is taken by who needs all of it.
        let most = u32::try_from(self.limit_bytes / MEBIBYTE).unwrap_or(u32::MAX);
        let wanted = u32::try_from(bytes.div_ceil(MEBIBYTE)).unwrap_or(u32::MAX).min(most);
        // Nobody closes it.
        Arc::clone(&self.mebibytes).acquire_many_owned(wanted).await.map_err(|e| internal("the memory", &e))
    }
}

/// Peak memory of an inspection, bytes. Blocks for the beginnings of its files; a packed one is read whole.
pub(crate) fn foretold<'a>(
    service: &Service,
    content: &NewRevision,
    sources: impl Iterator<Item = &'a NewAcquisition>,
) -> Result<u64, MeasureError> {
    let (_, plan) = check_json(&content.plan_json).map_err(|faults| internal("the kept plan", &faults))?;
    let mut scans = nothing();
    let mut points = 0u64;
    for source in sources {
        match source.content {
            Content::Scan => add(&mut scans, &announced(service, "the stored scan", &source.blob)?),
            Content::Points => {
                points = points.saturating_add(points::cost(length(service, "the points", &source.blob)?));
            }
        }
    }
    let mut nominal = match &content.nominal {
        Some((sha256, unit)) => of_nominal(service, "the nominal", sha256, plans::told(&plan, *unit))?,
        None => nothing(),
    };
    for kept in &content.neighbours {
        let of = plan.neighbours.iter().find(|n| n.id == kept.id);
        let told = plans::told_of(of.and_then(|n| n.side), of.and_then(|n| n.part.as_ref()), kept.unit);
        add(&mut nominal, &of_nominal(service, "the nominal of a neighbour", &kept.sha256, told)?);
    }
    Ok(inspect::cost(&scans, &nominal, &plan).saturating_add(points))
}

/// Peak memory of one sum over these scans, bytes: as of an inspection where there is a revision, else of the points
/// alone. Points of a message are there already.
pub(crate) fn of_sum<'a>(
    service: &Service,
    content: Option<&NewRevision>,
    scans: impl Iterator<Item = &'a ScanAsk>,
    points: impl Iterator<Item = &'a NewAcquisition>,
) -> Result<u64, MeasureError> {
    let mut all = nothing();
    for ask in scans {
        match &ask.from {
            ScanFrom::File { blob, .. } => add(&mut all, &announced(service, "the stored scan", blob)?),
            ScanFrom::Points { raw, .. } => all.points = all.points.saturating_add(raw.points.len() as u64),
        }
    }
    let rest = match content {
        Some(content) => foretold(service, content, points)?,
        None => 0,
    };
    // In the file, as read and as scan, and what a fit holds of it.
    const BYTES_PER_POINT: u64 = 500;
    let points = all.points.max(all.triangles.saturating_mul(3) / 2);
    Ok(points.saturating_mul(BYTES_PER_POINT).saturating_add(rest))
}

fn add(all: &mut Header, one: &Header) {
    all.points = all.points.saturating_add(one.points);
    all.triangles = all.triangles.saturating_add(one.triangles);
}

/// Length of a stored file, bytes.
pub(crate) fn length(service: &Service, what: &str, sha256: &str) -> Result<u64, MeasureError> {
    let digest = Digest::parse(sha256).ok_or_else(|| internal("a digest", &sha256))?;
    let fault = |error: io::Error| missing_or_passing(what, &error);
    Ok(service.blobs.file(&digest).map_err(fault)?.metadata().map_err(fault)?.len())
}

fn nothing() -> Header {
    Header {
        format: Format::Text,
        packing: None,
        points: 0,
        triangles: 0,
        has_normals: false,
        unit: None,
        exact: true,
    }
}

/// What a nominal is, where it is kept as it would be read, packed or not; else what its file announces.
fn of_nominal(
    service: &Service,
    what: &str,
    sha256: &str,
    told: NominalFile,
) -> Result<Header, MeasureError> {
    let digest = Digest::parse(sha256).ok_or_else(|| internal("a digest", &sha256))?;
    match service.nominals.triangles(&Key { digest, told }) {
        Some(triangles) => Ok(Header { triangles, exact: false, ..nothing() }),
        None => announced(service, what, sha256),
    }
}

/// What a stored file announces.
fn announced(service: &Service, what: &str, sha256: &str) -> Result<Header, MeasureError> {
    let digest = Digest::parse(sha256).ok_or_else(|| internal("a digest", &sha256))?;
    let fault = |error: io::Error| missing_or_passing(what, &error);
    let mut file = service.blobs.file(&digest).map_err(fault)?;
    let length = file.metadata().map_err(fault)?.len();
    // Above the limit the reader refuses it in its own words before reading anything.
    if length > service.config.limits.file_bytes {
        return Ok(nothing());
    }
    let mut start = Vec::new();
    file.by_ref().take(BEGINNING).read_to_end(&mut start).map_err(fault)?;
    if step::is_step(&start) {
        return Ok(Header { triangles: length / BYTES_PER_TRIANGLE, exact: false, ..nothing() });
    }
    let header = if read::packing(&start).is_some() {
        file.read_to_end(&mut start).map_err(fault)?;
        read::header(&start)
    } else {
        read::foretell(&start, length)
    };
    Ok(header.ok().filter(|h| h.points > 0).unwrap_or_else(|| {
        // What its beginning does not tell is taken for the most there can be; the reader says what is wrong.
        Header { points: length / SHORTEST_POINT, exact: false, ..nothing() }
    }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use tokio::time::timeout;

    #[tokio::test]
    async fn who_finds_too_little_free_waits_for_it() {
        let memory = Memory::new(10 * MEBIBYTE + 5);
        let first = memory.share(6 * MEBIBYTE).await.unwrap();
        let small = memory.share(4 * MEBIBYTE - 1).await.unwrap();
        let mut waits = Box::pin(memory.share(5 * MEBIBYTE));
        assert!(timeout(Duration::from_millis(20), &mut waits).await.is_err(), "nothing is free");
        drop(small);
        assert!(timeout(Duration::from_millis(20), &mut waits).await.is_err(), "too little is free");
        drop(first);
        drop(waits.await.unwrap());
        drop(memory.share(10 * MEBIBYTE + 5).await.unwrap());
        let Err(MeasureError::Failed { failure, reason }) = memory.share(10 * MEBIBYTE + 6).await else {
            panic!("more than all of it")
        };
        assert_eq!(failure, Failure::LimitExceeded);
        assert!(reason.contains("inspection_memory_bytes"), "{reason}");
    }
}
