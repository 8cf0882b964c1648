//! An upload whose connection is cut at ten random places goes on by itself and ends with the right digest.

use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use scantling_core::canonical::sha256_hex;
use scantling_core::geometry::random::Random;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

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

/// Passes bytes on to `to` and drops the connection, both ways, after each of `cuts` bytes from the client.
async fn cutting(listener: TcpListener, to: SocketAddr, cuts: Arc<Mutex<Vec<usize>>>) {
    loop {
        let Ok((client, _)) = listener.accept().await else { return };
        let cuts = Arc::clone(&cuts);
        tokio::spawn(async move {
            let Ok(server) = TcpStream::connect(to).await else { return };
            let (mut from_client, mut to_client) = client.into_split();
            let (mut from_server, mut to_server) = server.into_split();
            let back = tokio::spawn(async move { tokio::io::copy(&mut from_server, &mut to_client).await });
            let mut passed = 0;
            let mut buffer = vec![0; 16 << 10];
            while let Ok(got) = from_client.read(&mut buffer).await {
                if got == 0 || to_server.write_all(&buffer[..got]).await.is_err() {
                    break;
                }
                passed += got;
                let mut cuts = cuts.lock().expect("nobody panics with it");
                if cuts.last().is_some_and(|at| passed >= *at) {
                    cuts.pop();
                    break;
                }
            }
            // Not even what the server still had to say arrives.
            back.abort();
        });
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_upload_whose_connection_is_cut_ten_times_ends_with_the_right_digest() {
    let folder = tempfile::tempdir().expect("a folder");
    let mut serve = Command::new(program())
        .args(["serve", "--listen", "127.0.0.1:0", "--data-dir"])
        .arg(folder.path().join("data"))
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let mut line = String::new();
    BufReader::new(serve.stdout.take().expect("a pipe")).read_line(&mut line).expect("it says its address");
    let address = line.trim().rsplit("//").next().unwrap_or_default();
    let server: SocketAddr = address.parse().unwrap_or_else(|e| panic!("{line}: {e}"));

    let mut random = Random::seeded(7);
    let bytes: Vec<u8> = (0..24_000_000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8).collect();
    let file = folder.path().join("scan.bin");
    std::fs::write(&file, &bytes).expect("room for a file");
    // Less than the file in all, so that each of them comes to pass.
    let cuts: Vec<usize> = (0..10).map(|_| 200_000 + random.below(1_800_000)).collect();
    let cuts = Arc::new(Mutex::new(cuts));
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let through = listener.local_addr().expect("its address");
    let proxy = tokio::spawn(cutting(listener, server, Arc::clone(&cuts)));

    let push = tokio::process::Command::new(program())
        .args(["--server", &format!("http://{through}"), "--quiet", "push"])
        .arg(&file)
        .kill_on_drop(true)
        .output();
    let pushed =
        tokio::time::timeout(Duration::from_secs(300), push).await.expect("it ends").expect("it ran");
    let said =
        String::from_utf8_lossy(&pushed.stdout).into_owned() + &String::from_utf8_lossy(&pushed.stderr);
    assert!(pushed.status.success(), "{said}");
    assert!(said.contains(&sha256_hex(&bytes)), "{said}");
    assert!(cuts.lock().expect("nobody panics with it").is_empty(), "not all cuts were made");

    let back = folder.path().join("back.bin");
    let get = Command::new(program())
        .args(["--server", &format!("http://{server}"), "--quiet", "get", "--to"])
        .arg(&back)
        .arg(format!("blobs/{}", sha256_hex(&bytes)))
        .output()
        .expect("it ran");
    assert!(get.status.success(), "{}", String::from_utf8_lossy(&get.stderr));
    assert!(std::fs::read(&back).expect("the file") == bytes, "other bytes came back");
    proxy.abort();
    serve.kill().expect("it was running");
    serve.wait().expect("it ends");
}
