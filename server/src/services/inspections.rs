//! InspectionService.

use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use scantling_proto::v1::inspection_service_server::InspectionService;
use scantling_proto::v1::{
    CreateInspectionRequest, GetInspectionRequest, Inspection, ListInspectionsRequest,
    ListInspectionsResponse, WaitInspectionRequest, WatchInspectionsRequest, WatchInspectionsResponse,
};
use tokio::time::{Instant, sleep, sleep_until};
use tokio_stream::Stream;
use tonic::{Request, Response, Status};

use super::watch;
use crate::convert::fields::Fields;
use crate::convert::inspection::{self, View};
use crate::convert::status::Problem;
use crate::convert::{name, page, time};
use crate::plans;
use crate::service::{READ_AGAIN, Service};
use crate::store::{Filter, LOCAL_CALLER, State};
use crate::taken;

/// The calls about inspections.
#[derive(Debug)]
pub(crate) struct Inspections(pub(crate) Arc<Service>);

impl Inspections {
    fn answer(&self, found: crate::store::Inspection, view: View) -> Result<Inspection, Problem> {
        let percent = self.0.progress.percent(&found.id);
        inspection::of_inspection(found, view, percent)
    }
}

#[tonic::async_trait]
impl InspectionService for Inspections {
    async fn create_inspection(
        &self,
        request: Request<CreateInspectionRequest>,
    ) -> Result<Response<Inspection>, Status> {
        self.0.open()?;
        let (request_id, asked) = inspection::request(&self.0.config.limits, request.into_inner())?;
        plans::check_request(&self.0.store, &asked).await?;
        plans::check_sources(&self.0.store, &asked).await?;
        taken::check_names(&self.0, &asked).await?;
        let most = self.0.config.limits.queued_inspections;
        let accepted =
            self.0.store.submit(LOCAL_CALLER, &request_id, &asked, most).await.map_err(Problem::from)?;
        self.0.accepted.notify_one();
        Ok(Response::new(self.answer(accepted, View::Whole)?))
    }

    async fn get_inspection(
        &self,
        request: Request<GetInspectionRequest>,
    ) -> Result<Response<Inspection>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let id = fields.inspection("name", &request.into_inner().name);
        fields.finish()?;
        let found = self.0.store.inspection(&id).await.map_err(Problem::from)?;
        Ok(Response::new(self.answer(found, View::Whole)?))
    }

    async fn list_inspections(
        &self,
        request: Request<ListInspectionsRequest>,
    ) -> Result<Response<ListInspectionsResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let size = fields.page_size(sent.page_size);
        let serial_number = fields.text("serial_number", sent.serial_number);
        let mut filter =
            Filter { serial_number: Some(serial_number).filter(|s| !s.is_empty()), ..Filter::default() };
        if let Some((part, revision)) = name::revision(&sent.revision_or_part) {
            (filter.part, filter.revision) = (Some(part), Some(revision));
        } else if let Some(part) = name::part(&sent.revision_or_part) {
            filter.part = Some(part);
        } else if !sent.revision_or_part.is_empty() {
            fields.wrong(
                "revision_or_part",
                "must be parts/{part} or parts/{part}/revisions/{revision}, or empty",
            );
        }
        fields.finish()?;
        let narrowed = [sent.revision_or_part.as_str(), filter.serial_number.as_deref().unwrap_or_default()];
        let before = page::number("inspections", &narrowed, &sent.page_token)?;
        let page = self.0.store.list_inspections(&filter, before, size).await.map_err(Problem::from)?;
        Ok(Response::new(ListInspectionsResponse {
            inspections: page
                .items
                .into_iter()
                .map(|i| self.answer(i, View::WithoutText))
                .collect::<Result<_, _>>()?,
            next_page_token: page::token("inspections", &narrowed, page.next.map(|n| n.to_string())),
        }))
    }

    async fn wait_inspection(
        &self,
        request: Request<WaitInspectionRequest>,
    ) -> Result<Response<Inspection>, Status> {
        let call = time::call_timeout(request.metadata());
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let id = fields.inspection("name", &sent.name);
        let asked = match sent.wait_timeout.as_ref().map(time::duration) {
            None => self.0.config.wait_timeout(),
            Some(Some(d)) => d,
            Some(None) => {
                fields.wrong("wait_timeout", "must be a duration of 0 s or more");
                Duration::ZERO
            }
        };
        fields.finish()?;
        // Answer before the caller's own time is up: a state in time is worth more than a broken call.
        let call = call.map_or(Duration::MAX, |left| left.mul_f64(0.9));
        let until = Instant::now() + asked.min(self.0.config.wait_timeout()).min(call);
        let mut changed = self.0.changed.subscribe();
        loop {
            changed.mark_unchanged();
            let found = self.0.store.inspection(&id).await.map_err(Problem::from)?;
            let finished = matches!(found.state, State::Done | State::Failed);
            if finished || Instant::now() >= until || self.0.stopping.is_cancelled() {
                return Ok(Response::new(self.answer(found, View::Whole)?));
            }
            tokio::select! {
                _ = changed.changed() => {}
                () = sleep(READ_AGAIN) => {}
                () = sleep_until(until) => {}
                () = self.0.stopping.cancelled() => {}
            }
        }
    }

    type WatchInspectionsStream =
        Pin<Box<dyn Stream<Item = Result<WatchInspectionsResponse, Status>> + Send + 'static>>;

    async fn watch_inspections(
        &self,
        request: Request<WatchInspectionsRequest>,
    ) -> Result<Response<Self::WatchInspectionsStream>, Status> {
        let call = time::call_timeout(request.metadata());
        let after = request.into_inner().after_sequence;
        if after < 0 {
            return Err(Problem::field("after_sequence", format!("must be 0 or more; it is {after}")).into());
        }
        Ok(Response::new(Box::pin(watch::stream(&self.0, after, call)?)))
    }
}
