//! MeasurementService.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use scantling_proto::v1::measurement_service_server::MeasurementService;
use scantling_proto::v1::{
    AlignRequest, AlignResponse, AssociateRequest, AssociateResponse, EvaluateRequest, EvaluateResponse,
    LocateRequest, LocateResponse, ScanInput, SelfCheckRequest, SelfCheckResponse, SimulateScanRequest,
    SimulateScanResponse,
};
use tonic::{Request, Response, Status};

use crate::convert::fields::Fields;
use crate::convert::measurement::{self, Asked};
use crate::convert::status::Problem;
use crate::convert::{association, name, self_check, simulation, source};
use crate::instruments;
use crate::measuring::admitted::sum;
use crate::measuring::memory;
use crate::measuring::sums::{self, EvaluateAsk, ScanAsk, SumError};
use crate::service::Service;
use crate::store::{Content, LOCAL_CALLER, NewRevision};

/// The calls for single sums.
#[derive(Debug)]
pub(crate) struct Measurements(pub(crate) Arc<Service>);

impl Measurements {
    async fn revision(&self, (part, id): &(String, String)) -> Result<NewRevision, Problem> {
        Ok(self.0.store.revision(part, id).await?.content)
    }

    /// Looks up what is named.
    async fn scan(&self, asked: Option<Asked>) -> Result<ScanAsk, Problem> {
        match asked {
            None => Err(Problem::internal("fields were checked and are missing")),
            Some(Asked::Whole(ask)) => {
                if let sums::ScanFrom::File { blob, .. } = &ask.from {
                    self.0.store.blob(blob).await?;
                }
                Ok(*ask)
            }
            Some(Asked::Kept { acquisition, ask }) => {
                let kept = self.0.store.acquisition(&acquisition).await?;
                if kept.content.content != Content::Scan {
                    let words = format!("acquisitions/{acquisition} holds measured points, not a scan");
                    return Err(Problem::field("scan.acquisition", words));
                }
                let conditions = instruments::conditions(&self.0.store, &kept).await?;
                Ok(measurement::kept(*ask, &kept, conditions))
            }
        }
    }
}

/// What a sum over one scan by a revision takes.
fn cost_of(
    asked: &Arc<(NewRevision, ScanAsk)>,
) -> impl FnOnce(&Service, &AtomicBool) -> Result<u64, SumError> + Send + 'static {
    let asked = Arc::clone(asked);
    move |service, _| {
        Ok(memory::of_sum(service, Some(&asked.0), std::iter::once(&asked.1), std::iter::empty())?)
    }
}

/// A placement would be ignored here, which is worse than refused.
fn unplaced(fields: &mut Fields, field: &str, scan: Option<&ScanInput>) {
    if scan.is_some_and(|s| s.placement.is_some()) {
        fields.wrong(&format!("{field}.placement"), "is not used by this call; leave it out");
    }
}

#[tonic::async_trait]
impl MeasurementService for Measurements {
    async fn locate(&self, request: Request<LocateRequest>) -> Result<Response<LocateResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let revision = fields.revision("revision", &sent.revision);
        unplaced(&mut fields, "scan", sent.scan.as_ref());
        let asked = measurement::scan(&mut fields, "scan", sent.scan, self.0.config.limits.inline_points);
        fields.finish()?;
        let revision = self.revision(&revision).await?;
        let asked = Arc::new((revision, self.scan(asked).await?));
        let found = sum(&self.0, cost_of(&asked), move |service, stop| {
            let run = crate::measuring::run(service, stop, &|_, _| {});
            sums::locate(service, &run, &asked.0, &asked.1)
        })
        .await?;
        let (found, notes) = found;
        Ok(Response::new(LocateResponse { notes, ..measurement::located(&found) }))
    }

    async fn align(&self, request: Request<AlignRequest>) -> Result<Response<AlignResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let revision = fields.revision("revision", &sent.revision);
        let system = fields.text("datum_system", sent.datum_system);
        let asked = measurement::scan(&mut fields, "scan", sent.scan, self.0.config.limits.inline_points);
        fields.finish()?;
        let revision = self.revision(&revision).await?;
        let asked = Arc::new((revision, self.scan(asked).await?));
        let found = sum(&self.0, cost_of(&asked), move |service, stop| {
            let run = crate::measuring::run(service, stop, &|_, _| {});
            sums::align(service, &run, &asked.0, &asked.1, &system)
        })
        .await?;
        Ok(Response::new(measurement::aligned(found)))
    }

    async fn evaluate(
        &self,
        request: Request<EvaluateRequest>,
    ) -> Result<Response<EvaluateResponse>, Status> {
        let sent = request.into_inner();
        let limits = &self.0.config.limits;
        let mut fields = Fields::new(limits);
        let revision = fields.revision("revision", &sent.revision);
        for (field, count, most) in [
            ("scans", sent.scans.len(), limits.sources),
            ("points", sent.points.len(), limits.sources),
            ("readings", sent.readings.len(), limits.readings),
        ] {
            if count > most {
                fields.wrong(field, format!("has {count} entries; at most {most} are taken"));
            }
        }
        if sent.scans.is_empty() && sent.points.is_empty() && sent.readings.is_empty() {
            fields.wrong("scans", "must name a scan, points or readings; all are empty");
        }
        let mut asked = Vec::new();
        for (n, scan) in sent.scans.into_iter().take(limits.sources).enumerate() {
            asked.push(measurement::scan(
                &mut fields,
                &format!("scans[{n}]"),
                Some(scan),
                limits.inline_points,
            ));
        }
        let points: Vec<String> = sent
            .points
            .iter()
            .enumerate()
            .map(|(n, name)| fields.acquisition(&format!("points[{n}]"), name))
            .collect();
        let readings = source::readings(&mut fields, "readings", sent.readings);
        let scope: Vec<String> = sent
            .scope_groups
            .into_iter()
            .enumerate()
            .map(|(n, group)| fields.said(&format!("scope_groups[{n}]"), group))
            .collect();
        fields.finish()?;
        let mut ask = EvaluateAsk {
            revision: self.revision(&revision).await?,
            scans: Vec::new(),
            points: Vec::new(),
            readings,
            scope,
        };
        for one in asked {
            ask.scans.push(self.scan(one).await?);
        }
        for (n, id) in points.iter().enumerate() {
            let kept = self.0.store.acquisition(id).await.map_err(Problem::from)?;
            if kept.content.content != Content::Points {
                let words = "is a scan; name it in `scans`";
                return Err(Problem::field(&format!("points[{n}]"), words).into());
            }
            let conditions = instruments::conditions(&self.0.store, &kept).await.map_err(Problem::from)?;
            ask.points.push((kept, conditions));
        }
        let ask = Arc::new(ask);
        let asked = Arc::clone(&ask);
        let cost = move |service: &Service, _: &AtomicBool| {
            let points = asked.points.iter().map(|a| &a.0.content);
            Ok(memory::of_sum(service, Some(&asked.revision), asked.scans.iter(), points)?)
        };
        let (record, notes) = sum(&self.0, cost, move |service, stop| {
            sums::evaluate(service, &crate::measuring::run(service, stop, &|_, _| {}), &ask)
        })
        .await?;
        let mut answer = measurement::evaluated(record)?;
        answer.cautions.extend(notes);
        Ok(Response::new(answer))
    }

    async fn associate(
        &self,
        request: Request<AssociateRequest>,
    ) -> Result<Response<AssociateResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let shape = association::shape(sent.shape);
        if shape.is_none() {
            let words = "must be said: LINE, PLANE, CIRCLE, SPHERE, CYLINDER, CONE, TORUS or SLOT";
            fields.wrong("shape", words);
        }
        let criterion = association::criterion(&mut fields, &sent);
        unplaced(&mut fields, "points", sent.points.as_ref());
        let asked = measurement::scan(&mut fields, "points", sent.points, self.0.config.limits.inline_points);
        fields.finish()?;
        let (Some(shape), Some(criterion)) = (shape, criterion) else {
            return Err(Problem::internal("fields were checked and are missing").into());
        };
        let ask = Arc::new(self.scan(asked).await?);
        let asked = Arc::clone(&ask);
        let cost = move |service: &Service, _: &AtomicBool| {
            Ok(memory::of_sum(service, None, std::iter::once(&*asked), std::iter::empty())?)
        };
        let (found, points, notes) = sum(&self.0, cost, move |service, stop| {
            let run = crate::measuring::run(service, stop, &|_, _| {});
            sums::associated(service, &run, (shape, criterion), &ask)
        })
        .await?;
        Ok(Response::new(AssociateResponse { notes, ..association::associated(&found, &points) }))
    }

    async fn simulate_scan(
        &self,
        request: Request<SimulateScanRequest>,
    ) -> Result<Response<SimulateScanResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let named = (!sent.revision.is_empty()).then(|| fields.revision("revision", &sent.revision));
        fields.finish()?;
        let simulation = simulation::check(sent.simulation.as_ref())?;
        match (simulation.needs_nominal(), named.is_some()) {
            (false, true) => {
                let words = "is for a simulation of `part = { nominal = {} }`; this one is of a part that is built in, \
                             leave it out";
                return Err(Problem::field("revision", words).into());
            }
            (true, false) => {
                let words = "must name the revision whose nominal is made, or the simulation say \
                             `part = { window_surround = {} }`";
                return Err(Problem::field("revision", words).into());
            }
            _ => {}
        }
        let revision = match &named {
            Some(named) => Some(self.revision(named).await?),
            None => None,
        };
        let asked = Arc::new((simulation, revision));
        let costed = Arc::clone(&asked);
        let cost = move |service: &Service, stop: &AtomicBool| {
            let run = crate::measuring::run(service, stop, &|_, _| {});
            sums::simulation_cost(service, &run, &costed.0, costed.1.as_ref())
        };
        let (truth_json, points, ply) = sum(&self.0, cost, move |service, stop| {
            let run = crate::measuring::run(service, stop, &|_, _| {});
            let made = sums::simulated(service, &run, &asked.0, asked.1.as_ref())?;
            Ok((simulation::truth(&made), made.scan.points.len(), made.ply()))
        })
        .await?;
        let kept = self.0.keep_simulated(LOCAL_CALLER, ply).await?;
        Ok(Response::new(SimulateScanResponse {
            blob: name::of_blob(&kept.content.blob),
            points: points as i64,
            truth_json,
            acquisition: name::of_acquisition(&kept.id),
        }))
    }

    async fn self_check(
        &self,
        _request: Request<SelfCheckRequest>,
    ) -> Result<Response<SelfCheckResponse>, Status> {
        let report = sum(
            &self.0,
            |_, _| Ok(sums::SELF_CHECK_BYTES),
            |service, stop| sums::self_checked(&crate::measuring::run(service, stop, &|_, _| {})),
        )
        .await?;
        Ok(Response::new(self_check::reported(&report)))
    }
}
