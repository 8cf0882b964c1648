//! InstrumentService.

use std::sync::Arc;

use scantling_proto::v1::instrument_service_server::InstrumentService;
use scantling_proto::v1::{
    CreateInstrumentRequest, CreateVerificationRequest, GetInstrumentRequest, GetVerificationRequest,
    Instrument, ListInstrumentsRequest, ListInstrumentsResponse, ListVerificationsRequest,
    ListVerificationsResponse, MeasureBallsRequest, MeasureBallsResponse, Verification,
    WithdrawVerificationRequest,
};
use tonic::{Request, Response, Status};

use crate::convert::fields::Fields;
use crate::convert::status::Problem;
use crate::convert::{instrument, name, page};
use crate::measuring::admitted::sum;
use crate::measuring::{self, balls};
use crate::service::Service;
use crate::store::{BallScan, LOCAL_CALLER, StoreError, VerificationSource};

/// The calls about instruments.
#[derive(Debug)]
pub(crate) struct Instruments(pub(crate) Arc<Service>);

impl Instruments {
    /// Measures a scan of balls on the threads for it; a leaving caller stops it.
    async fn measured(&self, scan: BallScan, field: &'static str) -> Result<balls::Measured, Problem> {
        self.0.store.blob(&scan.blob).await?;
        let scan = Arc::new(scan);
        let asked = Arc::clone(&scan);
        sum(
            &self.0,
            move |service, _| balls::cost(service, &asked),
            move |service, stop| {
                let run = measuring::run(service, stop, &|_, _| {});
                balls::measured(service, &run, &scan, field)
            },
        )
        .await
    }
}

#[tonic::async_trait]
impl InstrumentService for Instruments {
    async fn create_instrument(
        &self,
        request: Request<CreateInstrumentRequest>,
    ) -> Result<Response<Instrument>, Status> {
        self.0.open()?;
        let new = instrument::new(&self.0.config.limits, request.into_inner())?;
        let created = self.0.store.create_instrument(LOCAL_CALLER, &new).await.map_err(Problem::from)?;
        Ok(Response::new(instrument::of_instrument(created)))
    }

    async fn get_instrument(
        &self,
        request: Request<GetInstrumentRequest>,
    ) -> Result<Response<Instrument>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let id = fields.instrument("name", &request.into_inner().name);
        fields.finish()?;
        let found = self.0.store.instrument(&id).await.map_err(Problem::from)?;
        Ok(Response::new(instrument::of_instrument(found)))
    }

    async fn list_instruments(
        &self,
        request: Request<ListInstrumentsRequest>,
    ) -> Result<Response<ListInstrumentsResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let size = fields.page_size(sent.page_size);
        fields.finish()?;
        let after = page::key("instruments", &[], &sent.page_token)?.unwrap_or_default();
        let (found, next) = self.0.store.list_instruments(&after, size).await.map_err(Problem::from)?;
        Ok(Response::new(ListInstrumentsResponse {
            instruments: found.into_iter().map(instrument::of_instrument).collect(),
            next_page_token: page::token("instruments", &[], next),
        }))
    }

    async fn create_verification(
        &self,
        request: Request<CreateVerificationRequest>,
    ) -> Result<Response<Verification>, Status> {
        self.0.open()?;
        let mut new =
            instrument::verification(&self.0.config.limits, self.0.store.now_us(), request.into_inner())?;
        if let VerificationSource::BallScan(scan) = &new.content.source {
            // What would be refused in the end is not measured first.
            self.0.store.instrument(&new.instrument).await.map_err(Problem::from)?;
            if self.0.store.verification(&new.instrument, &new.id).await.is_ok() {
                let name = name::of_verification(&new.instrument, &new.id);
                return Err(Problem::from(StoreError::AlreadyExists { name }).into());
            }
            let found = self.measured(scan.clone(), "verification.ball_scan").await?;
            new.content.errors = new.content.errors.or(&found.errors);
            new.content.problems = found.problems;
            new.results = Some(found.results);
        }
        let created = self.0.store.create_verification(LOCAL_CALLER, &new).await.map_err(Problem::from)?;
        Ok(Response::new(instrument::of_verification(created)))
    }

    async fn get_verification(
        &self,
        request: Request<GetVerificationRequest>,
    ) -> Result<Response<Verification>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let (of, id) = fields.verification("name", &request.into_inner().name);
        fields.finish()?;
        let found = self.0.store.verification(&of, &id).await.map_err(Problem::from)?;
        Ok(Response::new(instrument::of_verification(found)))
    }

    async fn list_verifications(
        &self,
        request: Request<ListVerificationsRequest>,
    ) -> Result<Response<ListVerificationsResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let of = fields.instrument("parent", &sent.parent);
        let size = fields.page_size(sent.page_size);
        fields.finish()?;
        let after = page::number("verifications", &[&of], &sent.page_token)?.unwrap_or(0);
        let page = self.0.store.list_verifications(&of, after, size).await.map_err(Problem::from)?;
        Ok(Response::new(ListVerificationsResponse {
            verifications: page.items.into_iter().map(instrument::of_verification).collect(),
            next_page_token: page::token("verifications", &[&of], page.next.map(|n| n.to_string())),
        }))
    }

    async fn withdraw_verification(
        &self,
        request: Request<WithdrawVerificationRequest>,
    ) -> Result<Response<Verification>, Status> {
        self.0.open()?;
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let (of, id) = fields.verification("name", &sent.name);
        let reason = fields.said("reason", sent.reason);
        fields.finish()?;
        let withdrawn = self.0.store.withdraw_verification(LOCAL_CALLER, &of, &id, &reason).await;
        Ok(Response::new(instrument::of_verification(withdrawn.map_err(Problem::from)?)))
    }

    async fn measure_balls(
        &self,
        request: Request<MeasureBallsRequest>,
    ) -> Result<Response<MeasureBallsResponse>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let scan = match request.into_inner().ball_scan {
            Some(scan) => instrument::ball_scan(&mut fields, "ball_scan", scan),
            None => {
                fields.wrong("ball_scan", "must be sent");
                None
            }
        };
        fields.finish()?;
        let Some(scan) = scan else {
            return Err(Problem::internal("fields were checked and are missing").into());
        };
        let found = self.measured(scan, "ball_scan").await?;
        Ok(Response::new(instrument::measured(&found.errors, found.results, found.problems)))
    }
}
