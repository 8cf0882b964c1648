//! The measurement service as a process of its own.

use std::io::IsTerminal;

use anyhow::Context;
use clap::Parser;
use scantling_server::{Config, open_store, run};
use tokio::net::TcpListener;
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;

/// Serves measurements over gRPC until it is told to end (SIGTERM or SIGINT).
#[derive(Parser)]
#[command(name = "scantling-server", version)]
struct Arguments {
    #[command(flatten)]
    config: Config,
    /// Log as JSON lines instead of text
    #[arg(long, env = "SCANTLING_LOG_JSON")]
    log_json: bool,
}

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let Arguments { config, log_json } = Arguments::parse();
    let filter = EnvFilter::builder()
        .with_env_var("SCANTLING_LOG")
        .try_from_env()
        .unwrap_or_else(|_| EnvFilter::new("info"));
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_ansi(std::io::stderr().is_terminal())
        .with_writer(std::io::stderr);
    if log_json {
        log.json().init();
    } else {
        log.init();
    }

    tracing::info!(config = %serde_json::to_string(&config)?, "settings");
    anyhow::ensure!(
        config.listen.ip().is_loopback(),
        "{} is not a loopback address; without credentials the service listens on 127.0.0.1 or ::1 only",
        config.listen
    );
    let store = open_store(&config).await?;
    let listener = TcpListener::bind(config.listen)
        .await
        .with_context(|| format!("cannot listen on {}", config.listen))?;
    let (mut terminate, mut interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
    let shutdown = async move {
        tokio::select! { _ = terminate.recv() => {}, _ = interrupt.recv() => {} }
    };
    run(listener, config, store, shutdown).await?;
    Ok(())
}
