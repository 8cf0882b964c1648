//! AcquisitionService.

use std::sync::Arc;

use scantling_proto::v1::acquisition_service_server::AcquisitionService;
use scantling_proto::v1::{
    Acquisition, CreateAcquisitionRequest, GetAcquisitionRequest, ListAcquisitionsRequest,
    ListAcquisitionsResponse,
};
use tonic::{Request, Response, Status};

use crate::convert::fields::Fields;
use crate::convert::status::Problem;
use crate::convert::{acquisition, page};
use crate::service::Service;
use crate::store::{Content, LOCAL_CALLER};
use crate::taken;

/// The calls about scans.
#[derive(Debug)]
pub(crate) struct Acquisitions(pub(crate) Arc<Service>);

#[tonic::async_trait]
impl AcquisitionService for Acquisitions {
    async fn create_acquisition(
        &self,
        request: Request<CreateAcquisitionRequest>,
    ) -> Result<Response<Acquisition>, Status> {
        self.0.open()?;
        let new = acquisition::new(&self.0.config.limits, request.into_inner().acquisition)?;
        // An instrument of the register by its id alone would be words that no verification stands behind.
        let said = new.instrument.trim();
        if new.registered_instrument.is_none() && self.0.store.instrument(said).await.is_ok() {
            let words = format!(
                "is an instrument of the register; name it in `registered_instrument` as instruments/{said}, or call it otherwise"
            );
            return Err(Problem::field("acquisition.instrument", words).into());
        }
        if new.content == Content::Points {
            taken::check_file(&self.0, &new).await?;
        }
        let created = self.0.store.create_acquisition(LOCAL_CALLER, &new).await.map_err(Problem::from)?;
        Ok(Response::new(acquisition::of_acquisition(created)))
    }

    async fn get_acquisition(
        &self,
        request: Request<GetAcquisitionRequest>,
    ) -> Result<Response<Acquisition>, Status> {
        let mut fields = Fields::new(&self.0.config.limits);
        let id = fields.acquisition("name", &request.into_inner().name);
        fields.finish()?;
        let found = self.0.store.acquisition(&id).await.map_err(Problem::from)?;
        Ok(Response::new(acquisition::of_acquisition(found)))
    }

    async fn list_acquisitions(
        &self,
        request: Request<ListAcquisitionsRequest>,
    ) -> Result<Response<ListAcquisitionsResponse>, Status> {
        let sent = request.into_inner();
        let mut fields = Fields::new(&self.0.config.limits);
        let size = fields.page_size(sent.page_size);
        fields.finish()?;
        let before = page::number("acquisitions", &[], &sent.page_token)?;
        let page = self.0.store.list_acquisitions(before, size).await.map_err(Problem::from)?;
        Ok(Response::new(ListAcquisitionsResponse {
            acquisitions: page.items.into_iter().map(acquisition::of_acquisition).collect(),
            next_page_token: page::token("acquisitions", &[], page.next.map(|n| n.to_string())),
        }))
    }
}
