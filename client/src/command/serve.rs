//! `serve`: the service for other programs, until SIGTERM or SIGINT.

use anyhow::Context as _;
use scantling_server::{Config, open_store, run};
use tokio::net::TcpListener;

use crate::args::{Global, Serve};
use crate::connect::data_folder;
use crate::exit::Exit;
use crate::output::write;

pub(crate) async fn serve(global: &Global, args: Serve) -> anyhow::Result<Exit> {
    if global.server.is_some() {
        return Err(Exit::Usage.because("serve is a service itself; leave --server and SCANTLING_SERVER out"));
    }
    if !args.listen.ip().is_loopback() {
        return Err(Exit::Usage.because(format!(
            "{} is not a loopback address; without credentials the service listens on 127.0.0.1 or ::1 only",
            args.listen
        )));
    }
    let config = Config {
        data_dir: data_folder(global)?,
        listen: args.listen,
        workers: args.workers,
        threads: global.threads,
        limits: args.limits,
    };
    let folder = config.data_dir.display().to_string();
    let store = open_store(&config)
        .await
        .map_err(|e| Exit::Unavailable.because(format!("the data folder {folder} cannot be used: {e}")))?;
    let listener = TcpListener::bind(config.listen).await.map_err(|e| {
        Exit::Unavailable.because(format!("cannot listen on {}: {e}; choose another --listen", config.listen))
    })?;
    let shutdown = signals()?;
    write(&format!("http://{}\n", listener.local_addr()?))?;
    run(listener, config, store, shutdown).await?;
    Ok(Exit::Success)
}

/// Done at the first SIGTERM or SIGINT.
#[cfg(unix)]
fn signals() -> anyhow::Result<impl Future<Output = ()>> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate()).context("cannot listen for SIGTERM")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("cannot listen for SIGINT")?;
    Ok(async move {
        tokio::select! { _ = terminate.recv() => {}, _ = interrupt.recv() => {} }
    })
}

/// Done at the first Ctrl-C.
#[cfg(not(unix))]
fn signals() -> anyhow::Result<impl Future<Output = ()>> {
    Ok(async {
        // Without the signal there is no orderly end to wait for.
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
    })
}
