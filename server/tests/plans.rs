//! Plans come in as text or message, are told everything that is wrong, and are kept as they were checked.

#![allow(clippy::unwrap_used, reason = "a test may end so")]

mod harness;

use harness::{Server, fields, nominal_stl, refused};
use scantling_core::simulate::WindowSurround;
use scantling_proto::v1::{
    CheckPlanRequest, CreatePartRequest, CreateRevisionRequest, GetPartRequest, GetRevisionRequest,
    LengthUnit, ListRevisionsRequest, NeighbourNominal, PlanInput, ReleaseRevisionRequest, Revision,
    RevisionState, plan_input,
};
use tonic::{Code, Status};

fn toml(text: &str) -> Option<PlanInput> {
    Some(PlanInput { plan: Some(plan_input::Plan::Toml(text.to_owned())) })
}

fn good() -> String {
    WindowSurround::default().plan_toml()
}

/// A revision to be, with the plan in the form that it has.
fn sent(plan: Option<PlanInput>, blob: &str) -> Revision {
    let mut revision = Revision {
        nominal_blob: blob.to_owned(),
        nominal_length_unit: LengthUnit::Millimetre.into(),
        ..Revision::default()
    };
    match plan.and_then(|input| input.plan) {
        Some(plan_input::Plan::Message(message)) => revision.plan = Some(message),
        Some(plan_input::Plan::Toml(text) | plan_input::Plan::Json(text)) => revision.plan_source = text,
        None => {}
    }
    revision
}

async fn create(server: &Server, id: &str, plan: Option<PlanInput>, blob: &str) -> Result<Revision, Status> {
    let request = CreateRevisionRequest {
        parent: "parts/ws-214".to_owned(),
        revision_id: id.to_owned(),
        revision: Some(sent(plan, blob)),
    };
    Ok(server.parts().create_revision(request).await?.into_inner())
}

async fn with_part() -> Server {
    let server = Server::start().await;
    let part = harness::create_part("ws-214", "Window surround");
    server.parts().create_part(part).await.unwrap();
    server
}

#[tokio::test]
async fn a_plan_is_told_all_its_faults_at_once() {
    let server = with_part().await;
    let check = async |plan| {
        let request = CheckPlanRequest { plan, ..CheckPlanRequest::default() };
        server.parts().check_plan(request).await.unwrap().into_inner()
    };
    let fine = check(toml(&good())).await;
    assert_eq!((fine.faults.len(), fine.plan_sha256.len(), fine.bound_features.len()), (0, 64, 0));
    let faulty =
        good().replace("decision = { proven = {} }", "").replace("plan_version = ", "plan_version = -");
    let told = check(toml(&faulty)).await;
    assert_eq!(told.plan_sha256, "");
    let places: Vec<&str> = told.faults.iter().map(|f| f.place.as_str()).collect();
    assert!(places.contains(&"decision") && places.contains(&"plan_version"), "{:?}", told.faults);
    assert!(check(toml("part = ")).await.faults[0].place.starts_with("line 1"));

    let refused = refused(
        create(&server, "c", toml(&faulty), &server.put(&nominal_stl()).await).await,
        Code::InvalidArgument,
        "PLAN_REFUSED",
    );
    let named = fields(&refused);
    assert!(
        named.contains(&"decision".to_owned()) && named.contains(&"plan_version".to_owned()),
        "{named:?}"
    );
}

#[tokio::test]
async fn a_pick_off_the_nominal_is_told_together_with_the_other_faults() {
    let server = with_part().await;
    let nominal = server.put(&nominal_stl()).await;
    let first = good().find("near_mm = [").unwrap();
    let end = first + good()[first..].find(']').unwrap();
    let mut text = good();
    // Nine metres away.
    text.replace_range(first..=end, "near_mm = [9000, 0, 0]");
    let text = text.replacen("letter = \"A\"", "letter = \"a\"", 1);
    let request = |text: &str| CheckPlanRequest {
        plan: toml(text),
        nominal_blob: nominal.clone(),
        nominal_length_unit: LengthUnit::Millimetre.into(),
        ..CheckPlanRequest::default()
    };
    let told = server.parts().check_plan(request(&text)).await.unwrap().into_inner();
    let places: Vec<&str> = told.faults.iter().map(|f| f.place.as_str()).collect();
    assert_eq!(places.len(), 2, "{:?}", told.faults);
    assert!(places[0].starts_with("datum_system[0]") && places[1] == "feature[0].pick", "{places:?}");
    // A feature with a fault of its own is told of that alone.
    let text = text.replacen("kind = ", "kind = 3 # ", 1);
    let told = server.parts().check_plan(request(&text)).await.unwrap().into_inner();
    let of_it = told.faults.iter().filter(|f| f.place.starts_with("feature[0]")).count();
    assert_eq!(of_it, 1, "{:?}", told.faults);
}

#[tokio::test]
async fn a_plan_is_bound_and_kept_as_message_text_and_digest() {
    let server = with_part().await;
    let nominal = server.put(&nominal_stl()).await;
    let request = CheckPlanRequest {
        plan: toml(&good()),
        nominal_blob: nominal.clone(),
        nominal_length_unit: LengthUnit::Millimetre.into(),
        ..CheckPlanRequest::default()
    };
    let checked = server.parts().check_plan(request).await.unwrap().into_inner();
    assert_eq!(checked.faults, []);
    let created = create(&server, "c", toml(&good()), &nominal).await.unwrap();
    assert_eq!(created.plan_sha256, checked.plan_sha256);
    assert_eq!(created.bound_features, checked.bound_features);
    assert_eq!((created.plan_source.as_str(), created.state()), (good().as_str(), RevisionState::Draft));
    let plan = created.plan.clone().unwrap();
    assert_eq!(plan.feature.len(), created.bound_features.len());
    for hole in WindowSurround::default().holes() {
        let found =
            created.bound_features.iter().find(|b| b.feature == hole.id).expect("every hole is bound");
        let off = found.diameter_mm.expect("a hole has a diameter") - hole.diameter_mm;
        assert!(off.abs() < 0.05, "{}: {off}", hole.id);
    }

    // The message says the same as the text.
    let from_message = Some(PlanInput { plan: Some(plan_input::Plan::Message(plan)) });
    let second = create(&server, "d", from_message, &nominal).await.unwrap();
    assert_eq!(
        (second.plan_sha256.as_str(), second.plan_source.as_str()),
        (created.plan_sha256.as_str(), "")
    );

    let get = GetRevisionRequest { name: created.name.clone() };
    let read = server.parts().get_revision(get).await.unwrap().into_inner();
    assert!(read == created, "numbers read back to the same bits: {:?}", read.bound_features);
    for name in [&created.name, &second.name] {
        server.parts().release_revision(ReleaseRevisionRequest { name: name.clone() }).await.unwrap();
    }
    let part = server.parts().get_part(GetPartRequest { name: "parts/ws-214".to_owned() }).await.unwrap();
    assert_eq!(part.into_inner().released_revision, Some(second.name));
    let list =
        ListRevisionsRequest { parent: "parts/ws-214".to_owned(), page_size: 1, page_token: String::new() };
    let first = server.parts().list_revisions(list.clone()).await.unwrap().into_inner();
    assert_eq!(first.revisions[0].state(), RevisionState::Superseded);
    let list = ListRevisionsRequest { page_token: first.next_page_token, ..list };
    let last = server.parts().list_revisions(list).await.unwrap().into_inner();
    assert_eq!((last.revisions[0].state(), last.next_page_token.as_str()), (RevisionState::Released, ""));
}

#[tokio::test]
async fn what_cannot_be_a_revision_says_why() {
    let server = with_part().await;
    let status =
        refused(create(&server, "C 4", None, "blobs/x").await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["revision_id", "revision.plan", "revision.nominal_blob"]);
    let nothing = format!("blobs/{}", "0".repeat(64));
    refused(create(&server, "c", toml(&good()), &nothing).await, Code::NotFound, "NOT_FOUND");
    let text = server.put(b"not a mesh").await;
    refused(create(&server, "c", toml(&good()), &text).await, Code::InvalidArgument, "NOMINAL_REFUSED");
    let nominal = server.put(&nominal_stl()).await;
    create(&server, "c", toml(&good()), &nominal).await.unwrap();
    refused(create(&server, "c", toml(&good()), &nominal).await, Code::AlreadyExists, "ALREADY_EXISTS");
    let no_part = CreateRevisionRequest {
        parent: "parts/none".to_owned(),
        revision_id: "c".to_owned(),
        revision: Some(sent(toml(&good()), &nominal)),
    };
    refused(server.parts().create_revision(no_part).await, Code::NotFound, "NOT_FOUND");
}

#[tokio::test]
async fn checks_beyond_the_limit_are_told_to_come_back() {
    let server = Server::with(|c| c.limits.plan_checks = 0).await;
    let request = CheckPlanRequest { plan: toml(&good()), ..CheckPlanRequest::default() };
    refused(server.parts().check_plan(request).await, Code::ResourceExhausted, "OVERLOADED");
}

#[tokio::test]
async fn a_part_and_a_revision_are_sent_as_they_are_answered() {
    let server = with_part().await;
    let empty = CreatePartRequest { part_id: "ws-215".to_owned(), part: None };
    let status = refused(server.parts().create_part(empty).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["part"]);
    let request = |revision| CreateRevisionRequest {
        parent: "parts/ws-214".to_owned(),
        revision_id: "c".to_owned(),
        revision,
    };
    let nothing = server.parts().create_revision(request(None)).await;
    let status = refused(nothing, Code::InvalidArgument, "INVALID_FIELD");
    assert!(fields(&status).contains(&"revision".to_owned()), "{status:?}");

    let nominal = server.put(&nominal_stl()).await;
    let first = create(&server, "c", toml(&good()), &nominal).await.unwrap();
    assert!(first.plan.is_some() && !first.plan_source.is_empty());
    let twice = server.parts().create_revision(request(Some(first.clone()))).await;
    let status = refused(twice, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["revision.plan_source"], "two plans at once");
    // The answer less its text makes the same revision again.
    let again = Revision { plan_source: String::new(), ..first.clone() };
    let again = CreateRevisionRequest { revision_id: "d".to_owned(), ..request(Some(again)) };
    let again = server.parts().create_revision(again).await.unwrap().into_inner();
    assert_eq!((again.plan_sha256, again.nominal_blob), (first.plan_sha256, first.nominal_blob));
}

#[tokio::test]
async fn what_is_odd_but_not_wrong_is_remarked() {
    let server = with_part().await;
    let nominal = server.put(&nominal_stl()).await;
    let fine = create(&server, "a", toml(&good()), &nominal).await.unwrap();
    assert_eq!(fine.remarks, Vec::<String>::new());
    let hole = fine.bound_features.iter().find(|b| b.diameter_mm.is_some()).expect("the demo part has holes");
    assert!(!hole.feature.is_empty());
    let at = good().find("diameter = { nominal_mm = ").unwrap() + "diameter = { nominal_mm = ".len();
    let digits = good()[at..].chars().take_while(|c| c.is_ascii_digit() || *c == '.').count();
    let larger = format!("{}{}{}", &good()[..at], "31.5", &good()[at + digits..]);
    let check = CheckPlanRequest {
        plan: toml(&larger),
        nominal_blob: nominal.clone(),
        nominal_length_unit: LengthUnit::Millimetre.into(),
        ..CheckPlanRequest::default()
    };
    let checked = server.parts().check_plan(check).await.unwrap().into_inner();
    assert_eq!((checked.faults.len(), checked.remarks.len()), (0, 1), "{checked:?}");
    assert!(checked.remarks[0].contains("31.5 mm"), "{:?}", checked.remarks);

    server.parts().create_part(harness::create_part("other", "")).await.unwrap();
    let request = CreateRevisionRequest {
        parent: "parts/other".to_owned(),
        revision_id: "a".to_owned(),
        revision: Some(sent(toml(&good()), &nominal)),
    };
    let foreign = server.parts().create_revision(request).await.unwrap().into_inner();
    assert!(foreign.remarks[0].contains("`other`"), "{:?}", foreign.remarks);
    let name = foreign.name.clone();
    let read = server.parts().get_revision(GetRevisionRequest { name }).await.unwrap().into_inner();
    assert_eq!(read.remarks, foreign.remarks, "also later");
}

/// The demo part's plan with a neighbour beside the long side of its flange, at y = 0.
fn beside() -> String {
    good()
        + "\n[[neighbour]]\nid = \"PANE\"\nfile = \"pane.stl\"\npick = { near_mm = [300.0, -70.0, 0.0], facing = [0.0, 0.0, 1.0] }\n\
           [[feature]]\nid = \"JOINT\"\nkind = \"edge\"\nedge = { of = \"FLANGE\", along = [{ at_mm = [100.0, 0.0, 0.0] }, { at_mm = \
           [600.0, 0.0, 0.0] }], at = \"visible_arris\" }\n[[characteristic]]\nnumber = \"90\"\nfeature = \"JOINT\"\ngap = { to = \"PANE\", \
           nominal_mm = 4.0, upper_deviation_mm = 1.0, lower_deviation_mm = -1.0 }\ndatum_system = \"ABC\"\n"
}

/// A pane 80 mm wide and 3 mm thick beside that side, `gap_mm` off.
fn pane_stl(gap_mm: f64) -> Vec<u8> {
    use scantling_core::geometry::{Point, TriangleMesh};
    let corner = |i: usize| {
        let of = |bit: usize, at: [f64; 2]| at[usize::from(i & bit != 0)];
        Point::new(of(1, [50.0, 700.0]), of(2, [-gap_mm - 80.0, -gap_mm]), of(4, [-3.0, 0.0]))
    };
    let quads = [[0, 2, 3, 1], [4, 5, 7, 6], [0, 1, 5, 4], [2, 6, 7, 3], [0, 4, 6, 2], [1, 3, 7, 5]];
    let triangles = quads.iter().flat_map(|[a, b, c, d]| [[*a, *b, *c], [*a, *c, *d]]).collect();
    let mesh = TriangleMesh::new((0..8).map(corner).collect(), triangles).unwrap();
    scantling_core::simulate::write_stl(&mesh)
}

#[tokio::test]
async fn a_plan_with_a_neighbour_needs_its_nominal_and_keeps_it() {
    let server = with_part().await;
    let nominal = server.put(&nominal_stl()).await;
    let pane = server.put(&pane_stl(4.0)).await;
    let one = |id: &str, blob: &str| NeighbourNominal {
        neighbour: id.to_owned(),
        blob: blob.to_owned(),
        length_unit: LengthUnit::Millimetre.into(),
    };
    // By itself the plan tells what it needs.
    let alone = CheckPlanRequest { plan: toml(&beside()), ..CheckPlanRequest::default() };
    let told = server.parts().check_plan(alone).await.unwrap().into_inner();
    assert_eq!(told.faults, []);
    let named: Vec<(&str, &str)> =
        told.neighbours.iter().map(|n| (n.neighbour.as_str(), n.file.as_str())).collect();
    assert_eq!(named, [("PANE", "pane.stl")]);

    let with = async |id: &str, neighbours: Vec<NeighbourNominal>| {
        let revision = Revision { neighbours, ..sent(toml(&beside()), &nominal) };
        let request = CreateRevisionRequest {
            parent: "parts/ws-214".to_owned(),
            revision_id: id.to_owned(),
            revision: Some(revision),
        };
        server.parts().create_revision(request).await.map(tonic::Response::into_inner)
    };
    let status = refused(with("a", Vec::new()).await, Code::InvalidArgument, "PLAN_REFUSED");
    assert_eq!(fields(&status), ["neighbour[0].file"]);
    let wrong = vec![one("PANE", &pane), one("PAIN", &pane), one("PANE", &pane)];
    let status = refused(with("a", wrong).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["neighbours[1].neighbour", "neighbours[2].neighbour"]);
    let status = refused(with("a", vec![one("", "pane")]).await, Code::InvalidArgument, "INVALID_FIELD");
    assert_eq!(fields(&status), ["revision.neighbours[0].neighbour", "revision.neighbours[0].blob"]);
    let far = server.put(&pane_stl(59.0)).await;
    let status = refused(with("a", vec![one("PANE", &far)]).await, Code::InvalidArgument, "PLAN_REFUSED");
    assert!(fields(&status)[0].ends_with(".gap.to"), "{status:?}");
    let text = server.put(b"not a mesh").await;
    refused(with("a", vec![one("PANE", &text)]).await, Code::InvalidArgument, "NOMINAL_REFUSED");
    let nothing = format!("blobs/{}", "0".repeat(64));
    refused(with("a", vec![one("PANE", &nothing)]).await, Code::NotFound, "NOT_FOUND");

    let made = with("a", vec![one("PANE", &pane)]).await.unwrap();
    assert_eq!(made.neighbours, [one("PANE", &pane)]);
    assert!(made.bound_features.iter().all(|b| b.feature != "PANE"), "its skin is none of the part's");
    assert_eq!(made.remarks, Vec::<String>::new());
    let get = GetRevisionRequest { name: made.name.clone() };
    assert_eq!(server.parts().get_revision(get).await.unwrap().into_inner(), made);
    // Where the nominals do not keep the limits themselves it is told.
    let near = server.put(&pane_stl(2.5)).await;
    let odd = with("b", vec![one("PANE", &near)]).await.unwrap();
    assert!(
        odd.remarks.iter().any(|r| r.contains("between the nominals the gap is 2.500")),
        "{:?}",
        odd.remarks
    );
    // Another neighbour in a new revision is told as what moved.
    server.parts().release_revision(ReleaseRevisionRequest { name: made.name }).await.unwrap();
    let next = with("c", vec![one("PANE", &near)]).await.unwrap();
    assert!(
        next.remarks.iter().any(|r| r.starts_with("since revision a: neighbour PANE moved by 1.50 mm")),
        "{:?}",
        next.remarks
    );
}
