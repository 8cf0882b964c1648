//! A server that is killed at any moment loses nothing that it acknowledged and finishes nothing twice.

use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use scantling_core::simulate::Demo;
use scantling_proto::v1::{GetInspectionRequest, InspectionState};
use scantling_tests::plant::Plant;
use tonic::transport::Endpoint;

/// The folder of built programs: named by the test runner, else the one this test was built into.
fn program() -> PathBuf {
    let folder = std::env::var_os("SCANTLING_BIN_DIR").map(PathBuf::from).unwrap_or_else(|| {
        let me = std::env::current_exe().expect("a running test has a path");
        me.parent().and_then(Path::parent).expect("tests lie in deps").to_path_buf()
    });
    let program = folder.join("scantling");
    assert!(program.exists(), "{} is not built: cargo build -p scantling-cli", program.display());
    program
}

struct Server {
    process: Child,
    plant: Plant,
}

impl Server {
    async fn start(data: &Path) -> Self {
        let mut process = Command::new(program())
            .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
            .arg(data)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("the program starts");
        let mut line = String::new();
        BufReader::new(process.stdout.take().expect("a pipe"))
            .read_line(&mut line)
            .expect("it says its address");
        let address = line.trim().rsplit(' ').next().unwrap_or_default().to_string();
        let channel = Endpoint::from_shared(address)
            .expect("an address")
            .connect_timeout(Duration::from_secs(20))
            .connect()
            .await
            .expect("it answers");
        Self { process, plant: Plant::on(channel) }
    }

    fn kill(mut self) {
        // SIGKILL: nothing is flushed, nothing is told.
        self.process.kill().expect("it was running");
        self.process.wait().expect("it ends");
    }
}

#[tokio::test]
async fn ten_kills_between_answer_and_verdict_lose_and_repeat_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let demo = Demo::new(3, 1.0);
    let scan = demo.good_scan_ply(2.5).unwrap();
    let mut server = Server::start(folder.path()).await;
    let revision = server.plant.register("ws-214", &demo.plan_toml(), &demo.nominal_stl()).await.unwrap();
    let acquisition = server.plant.acquire(&scan).await.unwrap();
    let mut asked = Vec::new();
    let mut before_the_verdict = 0;
    for round in 0..10u64 {
        let request = Plant::request(&revision, &format!("sn-{round}"), &acquisition);
        let answer = server.plant.inspections.create_inspection(request.clone()).await.unwrap().into_inner();
        // From at once to well into the measurement.
        tokio::time::sleep(Duration::from_millis(37 * round)).await;
        // What nothing kills before it is finished proves nothing.
        let state =
            server.plant.inspections.get_inspection(GetInspectionRequest { name: answer.name.clone() });
        let state = state.await.unwrap().into_inner().state();
        server.kill();
        if matches!(state, InspectionState::Queued | InspectionState::Running) {
            before_the_verdict += 1;
        }
        server = Server::start(folder.path()).await;
        // The caller, unsure whether it was heard, asks again: it is the same inspection.
        let again = server.plant.inspections.create_inspection(request).await.unwrap().into_inner();
        assert_eq!(again.name, answer.name, "round {round}");
        asked.push(answer.name);
    }
    assert!(before_the_verdict >= 6, "only {before_the_verdict} of 10 kills fell before the verdict");
    for name in &asked {
        let done = server.plant.wait(name).await.unwrap();
        assert_eq!(done.state(), InspectionState::Done, "{name}: {}", done.reason);
    }
    let mut finished = server.plant.finished(10).await.unwrap();
    assert!(finished.windows(2).all(|w| w[0].0 < w[1].0), "{finished:?}");
    finished.sort_by(|a, b| a.1.cmp(&b.1));
    asked.sort();
    assert_eq!(finished.into_iter().map(|f| f.1).collect::<Vec<_>>(), asked);
    let more = tokio::time::timeout(Duration::from_millis(500), server.plant.finished(11)).await;
    assert!(more.is_err(), "an eleventh inspection finished: {more:?}");
    server.kill();
}
