//! `serve`: the service for other programs, until SIGTERM or SIGINT.

use anyhow::Context as _;
use scantling_server::{Config, open_store, run};
use tokio::net::TcpListener;

use crate::args::{Global, Serve};
use crate::connect::{data_folder, folder_unusable};
use crate::exit::Exit;
use crate::output::write;
use crate::progress::Progress;

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
    let store = open_store(&config).await.map_err(|e| folder_unusable(&folder, &e))?;
    let listener = TcpListener::bind(config.listen).await.map_err(|e| {
        Exit::Unavailable.because(format!("cannot listen on {}: {e}; choose another --listen", config.listen))
    })?;
    let shutdown = signals()?;
    Progress::new(global.quiet).say(&settings(&config)?);
    write(&format!("http://{}\n", listener.local_addr()?))?;
    run(listener, config, store, shutdown).await?;
    Ok(Exit::Success)
}

/// What it runs with, each setting by the name of its flag; none of them is a secret.
fn settings(config: &Config) -> anyhow::Result<String> {
    fn lines(value: &serde_json::Value, into: &mut Vec<String>) {
        for (name, value) in value.as_object().into_iter().flatten() {
            match value {
                serde_json::Value::Object(_) => lines(value, into),
                serde_json::Value::String(text) => into.push(format!("  {} {text}", name.replace('_', "-"))),
                value => into.push(format!("  {} {value}", name.replace('_', "-"))),
            }
        }
    }
    let mut all = vec!["settings".to_owned()];
    lines(&serde_json::to_value(config)?, &mut all);
    Ok(all.join("\n"))
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_setting_is_told_by_the_name_of_its_flag() -> anyhow::Result<()> {
        let text = settings(&Config::at("data"))?;
        for wanted in ["\n  data-dir data", "\n  listen 127.0.0.1:7421", "\n  workers 1", "\n  drain-ms "] {
            assert!(text.contains(wanted), "{wanted} is not in:\n{text}");
        }
        Ok(())
    }
}
