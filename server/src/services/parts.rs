//! PartService.

use std::sync::Arc;

use scantling_proto::v1::part_service_server::PartService;
use scantling_proto::v1::{
    CheckPlanRequest, CheckPlanResponse, CreatePartRequest, CreateRevisionRequest, GetPartRequest,
    GetRevisionRequest, ListPartsRequest, ListPartsResponse, ListRevisionsRequest, ListRevisionsResponse,
    Part, ReleaseRevisionRequest, Revision,
};
use tonic::{Request, Response, Status};

use crate::convert::fields::Fields;
use crate::convert::status::Problem;
use crate::convert::{page, part};
use crate::service::Service;
use crate::store::LOCAL_CALLER;
use crate::{plans, remarks};

/// The calls about parts and revisions.
#[derive(Debug)]
pub(crate) struct Parts(pub(crate) Arc<Service>);

#[tonic::async_trait]
impl PartService for Parts {
    async fn create_part(&self, request: Request<CreatePartRequest>) -> Result<Response<Part>, Status> {
        let sent = request.into_inner();
        self.0.open()?;
        let mut fields = Fields::new(&self.0.config.limits);
        let id = fields.id("part_id", &sent.part_id);
        let title = match sent.part {
            Some(part) => fields.text("part.title", part.title),
            None => {
                fields.wrong("part", "must be sent; its title may be empty");
                String::new()
            }
        };
        fields.finish()?;
        let created = self.0.store.create_part(LOCAL_CALLER, &id, &title).await.map_err(Problem::from)?;
        Ok(Response::new(part::of_part(created)))
    }

    async fn get_part(&self, request: Request<GetPartRequest>) -> Result<Response<Part>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let id = fields.part("name", &request.into_inner().name);
        fields.finish()?;
        Ok(Response::new(part::of_part(self.0.store.part(&id).await.map_err(Problem::from)?)))
    }

    async fn list_parts(
        &self,
        request: Request<ListPartsRequest>,
    ) -> Result<Response<ListPartsResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let size = fields.page_size(sent.page_size);
        fields.finish()?;
        let after = page::key("parts", &[], &sent.page_token)?.unwrap_or_default();
        let (parts, next) = self.0.store.list_parts(&after, size).await.map_err(Problem::from)?;
        Ok(Response::new(ListPartsResponse {
            parts: parts.into_iter().map(part::of_part).collect(),
            next_page_token: page::token("parts", &[], next),
        }))
    }

    async fn check_plan(
        &self,
        request: Request<CheckPlanRequest>,
    ) -> Result<Response<CheckPlanResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let plan = fields.plan("plan", sent.plan);
        let nominal = if sent.nominal_blob.is_empty() {
            None
        } else {
            let blob = fields.blob("nominal_blob", &sent.nominal_blob);
            let unit = fields.nominal_unit("nominal_length_unit", sent.nominal_length_unit);
            blob.map(|blob| (blob, unit))
        };
        let neighbours = part::neighbours(&mut fields, "neighbours", &sent.neighbours);
        fields.finish()?;
        let files = plans::NominalFiles { nominal, neighbours };
        let answer = match plans::check(&self.0, plan, files).await {
            Ok(checked) => CheckPlanResponse {
                faults: Vec::new(),
                remarks: [remarks::of(&checked.plan.plan, &checked.bound, None), checked.remarks].concat(),
                bound_features: part::of_features(&checked.bound),
                neighbours: part::of_named(&checked.plan.plan),
                plan_sha256: checked.plan.plan.sha256(),
            },
            Err(plans::Refused::Faults(faults)) => {
                CheckPlanResponse { faults: part::of_faults(faults), ..CheckPlanResponse::default() }
            }
            Err(plans::Refused::Problem(problem)) => return Err(problem.into()),
        };
        Ok(Response::new(answer))
    }

    async fn create_revision(
        &self,
        request: Request<CreateRevisionRequest>,
    ) -> Result<Response<Revision>, Status> {
        let sent = request.into_inner();
        self.0.open()?;
        let mut fields = Fields::new(&self.0.config.limits);
        let part = fields.part("parent", &sent.parent);
        let id = fields.id("revision_id", &sent.revision_id);
        let sent = sent.revision.unwrap_or_else(|| {
            fields.wrong("revision", "must be sent");
            Revision::default()
        });
        let plan = part::plan_of(&mut fields, &sent);
        let plan = fields.plan("revision.plan", plan);
        // A plan of points and readings has no nominal; whether it needs one is asked with the plan.
        let nominal = if sent.nominal_blob.is_empty() {
            None
        } else {
            let blob = fields.blob("revision.nominal_blob", &sent.nominal_blob);
            let unit = fields.nominal_unit("revision.nominal_length_unit", sent.nominal_length_unit);
            blob.map(|blob| (blob, unit))
        };
        let neighbours = part::neighbours(&mut fields, "revision.neighbours", &sent.neighbours);
        fields.finish()?;
        let files = plans::NominalFiles { nominal, neighbours };
        let created = plans::create_revision(&self.0, part, id, plan, files).await?;
        Ok(Response::new(part::of_revision(created)?))
    }

    async fn get_revision(&self, request: Request<GetRevisionRequest>) -> Result<Response<Revision>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let (part, id) = fields.revision("name", &request.into_inner().name);
        fields.finish()?;
        let revision = self.0.store.revision(&part, &id).await.map_err(Problem::from)?;
        Ok(Response::new(part::of_revision(revision)?))
    }

    async fn list_revisions(
        &self,
        request: Request<ListRevisionsRequest>,
    ) -> Result<Response<ListRevisionsResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let part = fields.part("parent", &sent.parent);
        let size = fields.page_size(sent.page_size);
        fields.finish()?;
        let after = page::number("revisions", &[&part], &sent.page_token)?.unwrap_or(0);
        let page = self.0.store.list_revisions(&part, after, size).await.map_err(Problem::from)?;
        Ok(Response::new(ListRevisionsResponse {
            revisions: page.items.into_iter().map(part::of_revision).collect::<Result<_, _>>()?,
            next_page_token: page::token("revisions", &[&part], page.next.map(|n| n.to_string())),
        }))
    }

    async fn release_revision(
        &self,
        request: Request<ReleaseRevisionRequest>,
    ) -> Result<Response<Revision>, Status> {
        self.0.open()?;
        let mut fields = Fields::new(&self.0.config.limits);
        let (part, id) = fields.revision("name", &request.into_inner().name);
        fields.finish()?;
        let released =
            self.0.store.release_revision(LOCAL_CALLER, &part, &id).await.map_err(Problem::from)?;
        Ok(Response::new(part::of_revision(released)?))
    }
}
