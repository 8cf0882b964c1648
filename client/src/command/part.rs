//! `part`: register, list, show, release.

use anyhow::Context as _;
use scantling_proto::v1::part_service_client::PartServiceClient;
use scantling_proto::v1::{
    CheckPlanRequest, CreatePartRequest, CreateRevisionRequest, GetPartRequest, GetRevisionRequest,
    LengthUnit, ListPartsRequest, ListPartsResponse, ListRevisionsRequest, ListRevisionsResponse,
    NeighbourNominal, Part, PlanInput, ReleaseRevisionRequest, Revision,
};
use tonic::transport::Channel;
use tonic::{Code, Status};

use super::{Context, neighbours, plan, sources};
use crate::args::{PartName, PartRegister, RevisionName};
use crate::connect::{parts, patiently};
use crate::exit::Exit;
use crate::input::Input;
use crate::names::{self, PartOrRevision, short_revision};
use crate::output::json_value;
use crate::report;
use crate::upload::upload;

/// Revisions of a page: each brings its plan twice, as message and as text, some 100 KiB for a large part.
const PAGE: i32 = 20;

type Client = PartServiceClient<Channel>;

pub(crate) async fn register(context: &Context, args: PartRegister) -> anyhow::Result<Exit> {
    let part = names::part(&args.part_id)?;
    let name = names::revision(&format!("{}/{}", names::id(&part), args.revision))?;
    let plan = plan::read(&args.plan).await?;
    let nominal = match args.nominal {
        Some(file) => Some(sources::open(&file).await?),
        None => None,
    };
    let neighbours = match nominal {
        Some(_) => {
            let found = neighbours::found(context, &plan, &args.plan, &args.neighbours).await?;
            neighbours::sent(context, found, args.unit).await?
        }
        None => Vec::new(),
    };
    let unit = args.unit.map_or(LengthUnit::Unspecified, LengthUnit::from);
    let new = NewRevision { name, title: args.title, plan, unit, neighbours };
    let revision = create(context, nominal, new).await?;
    context.output.message("Revision", &revision, report::part::revision)?;
    let short = short_revision(&revision.name);
    context
        .progress
        .say(&format!("registered as a draft; `scantling part release {short}` puts it in force"));
    Ok(Exit::Success)
}

/// A revision to be.
pub(super) struct NewRevision {
    /// Whole resource name.
    pub(super) name: String,
    /// Of the part, if that is new.
    pub(super) title: String,
    pub(super) plan: PlanInput,
    /// Of the nominal's file, where there is one.
    pub(super) unit: LengthUnit,
    /// The nominals of the plan's neighbours.
    pub(super) neighbours: Vec<NeighbourNominal>,
}

/// Creates a draft revision, its part too when there is none.
pub(super) async fn create(
    context: &Context,
    nominal: Option<Input>,
    new: NewRevision,
) -> anyhow::Result<Revision> {
    let fails = || format!("cannot register {}", short_revision(&new.name));
    let (part, id) = new.name.split_once("/revisions/").with_context(fails)?;
    let nominal_blob = match nominal {
        Some(nominal) => upload(&context.channel, nominal, &context.progress).await?.blob,
        None => String::new(),
    };
    let mut client = parts(&context.channel);
    // A plan that is refused leaves no part behind that nobody asked for.
    let there = there(&mut client, part).await.with_context(fails)?;
    if let Some(there) = there.as_ref().filter(|p| !new.title.is_empty() && p.title != new.title) {
        context.progress.say(&format!("the part is there with the title \"{}\", which stays", there.title));
    }
    if there.is_none() {
        let wait = context.progress.spinner("check plan and nominal");
        let check = CheckPlanRequest {
            plan: Some(new.plan.clone()),
            nominal_blob: nominal_blob.clone(),
            nominal_length_unit: new.unit.into(),
            neighbours: new.neighbours.clone(),
        };
        let checked = patiently(async || client.check_plan(check.clone()).await).await;
        wait.finish_and_clear();
        plan::refuse(&checked.with_context(fails)?.faults).with_context(fails)?;
        ensure_part(&mut client, part, &new.title).await.with_context(fails)?;
    }
    let request = CreateRevisionRequest {
        parent: part.to_owned(),
        revision_id: id.to_owned(),
        revision: Some(Revision {
            nominal_blob,
            nominal_length_unit: new.unit.into(),
            neighbours: new.neighbours.clone(),
            ..plan::in_revision(new.plan.clone())
        }),
    };
    let wait = context.progress.spinner("check plan and nominal");
    let revision = client.create_revision(request).await;
    wait.finish_and_clear();
    Ok(revision.with_context(fails)?.into_inner())
}

/// The part, if it is there.
async fn there(client: &mut Client, name: &str) -> Result<Option<Part>, Status> {
    let asked = GetPartRequest { name: name.to_owned() };
    match patiently(async || client.get_part(asked.clone()).await).await {
        Err(status) if status.code() == Code::NotFound => Ok(None),
        found => found.map(Some),
    }
}

async fn ensure_part(client: &mut Client, name: &str, title: &str) -> Result<(), Status> {
    let part = Part { title: title.to_owned(), ..Part::default() };
    let request = CreatePartRequest { part_id: names::id(name).to_owned(), part: Some(part) };
    match patiently(async || client.create_part(request.clone()).await).await {
        // Somebody else, or our own try whose answer was lost.
        Err(status) if status.code() == Code::AlreadyExists => Ok(()),
        created => created.map(drop),
    }
}

pub(crate) async fn list(context: &Context) -> anyhow::Result<Exit> {
    let mut client = parts(&context.channel);
    let mut request = ListPartsRequest { page_size: 1000, page_token: String::new() };
    let mut all = ListPartsResponse::default();
    loop {
        let page = patiently(async || client.list_parts(request.clone()).await)
            .await
            .context("cannot list the parts")?;
        all.parts.extend(page.parts);
        if page.next_page_token.is_empty() {
            break;
        }
        request.page_token = page.next_page_token;
    }
    context.output.message("ListPartsResponse", &all, report::part::list)?;
    Ok(Exit::Success)
}

pub(crate) async fn show(context: &Context, args: &PartName) -> anyhow::Result<Exit> {
    let mut client = parts(&context.channel);
    match names::part_or_revision(&args.name)? {
        PartOrRevision::Part(name) => {
            let part = get(&mut client, &name).await?;
            let revisions = revisions(&mut client, &name).await?;
            let mut json = json_value("Part", &part)?;
            json["revisions"] =
                revisions.iter().map(|r| json_value("Revision", r)).collect::<anyhow::Result<_>>()?;
            let table = |look: &report::Look| report::part::part(&part, &revisions, look);
            context.output.value(&json, table)?;
        }
        PartOrRevision::Revision(name) => {
            let asked = GetRevisionRequest { name };
            let revision = patiently(async || client.get_revision(asked.clone()).await)
                .await
                .with_context(|| format!("cannot show {}", args.name))?;
            context.output.message("Revision", &revision, report::part::revision)?;
        }
    }
    Ok(Exit::Success)
}

/// A part by its whole name.
pub(super) async fn get(client: &mut Client, name: &str) -> anyhow::Result<Part> {
    let asked = GetPartRequest { name: name.to_owned() };
    patiently(async || client.get_part(asked.clone()).await)
        .await
        .with_context(|| format!("cannot find {name}"))
}

async fn revisions(client: &mut Client, part: &str) -> anyhow::Result<Vec<Revision>> {
    let mut request =
        ListRevisionsRequest { parent: part.to_owned(), page_size: PAGE, page_token: String::new() };
    let mut all = Vec::new();
    loop {
        let ListRevisionsResponse { revisions, next_page_token } =
            patiently(async || client.list_revisions(request.clone()).await)
                .await
                .with_context(|| format!("cannot list the revisions of {part}"))?;
        all.extend(revisions);
        if next_page_token.is_empty() {
            return Ok(all);
        }
        request.page_token = next_page_token;
    }
}

pub(crate) async fn release(context: &Context, args: &RevisionName) -> anyhow::Result<Exit> {
    let name = names::revision(&args.name)?;
    let mut client = parts(&context.channel);
    let part = name.split_once("/revisions/").map_or(name.as_str(), |(part, _)| part);
    let before = there(&mut client, part).await.context("cannot look for the part")?;
    let before = before.and_then(|p| p.released_revision).filter(|before| *before != name);
    let revision = release_by_name(context, name).await?;
    let table = |revision: &Revision, _: &report::Look| {
        let superseded = before.map(|b| format!("; {} is superseded by it", short_revision(&b)));
        format!("{} is released{}\n", short_revision(&revision.name), superseded.unwrap_or_default())
    };
    context.output.message("Revision", &revision, table)?;
    Ok(Exit::Success)
}

/// Releases a draft by its whole name.
pub(super) async fn release_by_name(context: &Context, name: String) -> anyhow::Result<Revision> {
    let mut client = parts(&context.channel);
    let fails = format!("cannot release {}", short_revision(&name));
    Ok(client.release_revision(ReleaseRevisionRequest { name }).await.context(fails)?.into_inner())
}
