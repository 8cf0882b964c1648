//! The way to the service: over the network, or within this process on a local data folder.

use std::time::Duration;

use scantling_proto::v1::inspection_service_client::InspectionServiceClient;
use scantling_proto::v1::instrument_service_client::InstrumentServiceClient;
use scantling_proto::v1::measurement_service_client::MeasurementServiceClient;
use scantling_proto::v1::part_service_client::PartServiceClient;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tonic::transport::{Channel, Endpoint, Uri};
use tonic::{Code, Response, Status};
use tonic_types::StatusExt;

use crate::args::Global;
use crate::exit::Exit;

/// The server's windows govern uploads, these here govern downloads; the defaults are slow over distance.
const STREAM_WINDOW: u32 = 8 << 20;
const CONNECTION_WINDOW: u32 = 16 << 20;
/// A server that says nothing for so long is left to the transport.
const PROBED_WITHIN: Duration = Duration::from_secs(2);
const CONNECT_WITHIN: Duration = Duration::from_secs(10);
/// A server that is gone without a word is noticed after 40 s.
const PING_EVERY: Duration = Duration::from_secs(30);
const PING_ANSWER: Duration = Duration::from_secs(10);

/// First pause before a call is tried again; doubled each time.
const FIRST_PAUSE: Duration = Duration::from_millis(200);
/// Longest pause.
const LONGEST_PAUSE: Duration = Duration::from_secs(5);
/// With these pauses a restart of some 15 s is waited for, then the user should know.
const TRIES: u32 = 7;

/// Longest answer taken: a page of revisions with their plans, or a record with every characteristic of the
/// largest plan, is well below; transport libraries stop at 4 MiB unless told.
const LONGEST_ANSWER: usize = 64 << 20;

/// Calls about parts.
pub(crate) fn parts(channel: &Channel) -> PartServiceClient<Channel> {
    PartServiceClient::new(channel.clone()).max_decoding_message_size(LONGEST_ANSWER)
}

/// Calls about inspections.
pub(crate) fn inspections(channel: &Channel) -> InspectionServiceClient<Channel> {
    InspectionServiceClient::new(channel.clone()).max_decoding_message_size(LONGEST_ANSWER)
}

/// Calls about instruments.
pub(crate) fn instruments(channel: &Channel) -> InstrumentServiceClient<Channel> {
    InstrumentServiceClient::new(channel.clone()).max_decoding_message_size(LONGEST_ANSWER)
}

/// Calls that keep no record.
pub(crate) fn measurements(channel: &Channel) -> MeasurementServiceClient<Channel> {
    MeasurementServiceClient::new(channel.clone()).max_decoding_message_size(LONGEST_ANSWER)
}

/// A service that answers, and what keeps it running when it is our own.
pub(crate) struct Service {
    pub(crate) channel: Channel,
    #[cfg(feature = "embedded")]
    own: Option<scantling_server::Embedded>,
}

impl Service {
    pub(crate) async fn connect(global: &Global) -> anyhow::Result<Self> {
        match &global.server {
            Some(url) => Self::remote(url).await,
            None => Self::within(global).await,
        }
    }

    async fn remote(url: &str) -> anyhow::Result<Self> {
        let wrong = |what: &str| Exit::Usage.because(format!("--server {url}: {what}"));
        if url.starts_with("https://") {
            return Err(wrong("this program has no TLS yet; use http:// on the same machine or a tunnel"));
        }
        if !url.starts_with("http://") {
            return Err(wrong("write an address such as http://127.0.0.1:7421"));
        }
        let endpoint = Endpoint::from_shared(url.to_owned()).map_err(|e| wrong(&e.to_string()))?;
        if speaks_otherwise(endpoint.uri()).await {
            return Err(Exit::Unavailable.because(format!(
                "what answers at {url} is no Scantling service (it speaks no HTTP/2); look at --server"
            )));
        }
        let channel = endpoint
            .connect_timeout(CONNECT_WITHIN)
            .initial_stream_window_size(STREAM_WINDOW)
            .initial_connection_window_size(CONNECTION_WINDOW)
            .http2_keep_alive_interval(PING_EVERY)
            .keep_alive_timeout(PING_ANSWER)
            .tcp_nodelay(true)
            .connect()
            .await
            .map_err(|e| {
                let mut cause: &dyn std::error::Error = &e;
                while let Some(inner) = cause.source() {
                    cause = inner;
                }
                Exit::Unavailable.because(format!(
                    "no service answers at {url} ({cause}); start one with `scantling serve`"
                ))
            })?;
        Ok(Self {
            channel,
            #[cfg(feature = "embedded")]
            own: None,
        })
    }

    #[cfg(feature = "embedded")]
    async fn within(global: &Global) -> anyhow::Result<Self> {
        Self::on(data_folder(global)?, global).await
    }

    #[cfg(not(feature = "embedded"))]
    async fn within(_: &Global) -> anyhow::Result<Self> {
        Err(Exit::Usage
            .because("no service is built into this program; name one with --server or SCANTLING_SERVER"))
    }

    /// A service of our own on a data folder, within this process.
    #[cfg(feature = "embedded")]
    pub(crate) async fn on(data_dir: std::path::PathBuf, global: &Global) -> anyhow::Result<Self> {
        let folder = data_dir.display().to_string();
        let threads = match global.threads {
            // Nobody else calls it, so measuring may have the whole processor.
            0 => std::thread::available_parallelism().map_or(1, std::num::NonZero::get),
            n => n,
        };
        let config = scantling_server::Config { threads, ..scantling_server::Config::at(data_dir) };
        let own = scantling_server::embedded(config).await.map_err(|e| folder_unusable(&folder, &e))?;
        Ok(Self { channel: own.channel.clone(), own: Some(own) })
    }

    /// Whether the service ends with this process.
    pub(crate) fn is_own(&self) -> bool {
        #[cfg(feature = "embedded")]
        return self.own.is_some();
        #[cfg(not(feature = "embedded"))]
        false
    }

    /// Ends our own service in order: work that runs is handed back to the next process.
    pub(crate) async fn end(self) -> anyhow::Result<()> {
        #[cfg(feature = "embedded")]
        if let Some(own) = self.own {
            drop(self.channel);
            own.shutdown().await?;
        }
        Ok(())
    }
}

/// A data folder that cannot be used, named once.
#[cfg(feature = "embedded")]
pub(crate) fn folder_unusable(folder: &str, cause: &scantling_server::ServeError) -> anyhow::Error {
    let cause = cause.to_string();
    let named = if cause.contains(folder) { cause } else { format!("the data folder {folder}: {cause}") };
    Exit::Unavailable.because(format!("{named}; if a service runs on it, name that with --server"))
}

/// As stated, else `scantling` in the platform's data folder.
#[cfg(feature = "embedded")]
pub(crate) fn data_folder(global: &Global) -> anyhow::Result<std::path::PathBuf> {
    use std::path::PathBuf;
    if let Some(folder) = &global.data_dir {
        return Ok(folder.clone());
    }
    let set = |name| std::env::var_os(name).map(PathBuf::from).filter(|p| p.is_absolute());
    // XDG Base Directory Specification 0.8: relative paths are invalid and to be ignored.
    let base = if cfg!(windows) {
        set("LOCALAPPDATA")
    } else if cfg!(target_os = "macos") {
        set("HOME").map(|home| home.join("Library/Application Support"))
    } else {
        set("XDG_DATA_HOME").or_else(|| set("HOME").map(|home| home.join(".local/share")))
    };
    base.map(|base| base.join("scantling")).ok_or_else(|| {
        Exit::Usage
            .because("there is no home folder to keep data in; name one with --data-dir or SCANTLING_DATA")
    })
}

/// Whether something answers there that is no HTTP/2 server: the transport itself only tells of broken pipes, and
/// those are worth patience. A server begins with a SETTINGS frame (RFC 9113, 3.4), whose type is its fourth byte.
async fn speaks_otherwise(uri: &Uri) -> bool {
    let Some(host) = uri.host() else { return false };
    let host = host.trim_start_matches('[').trim_end_matches(']');
    let asked = async {
        let mut stream = TcpStream::connect((host, uri.port_u16().unwrap_or(80))).await?;
        // The preface, and settings that change none.
        stream.write_all(b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n\0\0\0\x04\0\0\0\0\0").await?;
        let mut frame = [0; 4];
        stream.read_exact(&mut frame).await?;
        Ok::<bool, std::io::Error>(frame[3] != 4)
    };
    // What does not answer, or breaks, is told by the transport.
    matches!(tokio::time::timeout(PROBED_WITHIN, asked).await, Ok(Ok(true)))
}

/// Pauses between tries, growing.
pub(crate) struct Patience {
    left: u32,
    pause: Duration,
}

impl Patience {
    pub(crate) fn new() -> Self {
        Self { left: TRIES - 1, pause: FIRST_PAUSE }
    }

    /// Waits and answers true when another try makes sense.
    pub(crate) async fn again(&mut self, status: &Status) -> bool {
        passes(status) && self.wait(status).await
    }

    /// The same whatever the status: the caller knows that it passes.
    pub(crate) async fn wait(&mut self, status: &Status) -> bool {
        if self.left == 0 {
            return false;
        }
        self.left -= 1;
        let asked = status.get_details_retry_info().and_then(|info| info.retry_delay);
        let pause = asked.map_or(self.pause, |asked| asked.min(LONGEST_PAUSE * 6));
        // Up to a quarter more, so that many clients do not come back in step.
        let spread = u32::from(uuid::Uuid::now_v7().as_bytes()[15]);
        tokio::time::sleep(pause + pause * spread / 1024).await;
        self.pause = (self.pause * 2).min(LONGEST_PAUSE);
        true
    }
}

/// Whether a status may be gone at the next try: nobody there, too busy with a hint when, or a connection
/// that broke (which has a cause of the transport's, as no status from a server has).
fn passes(status: &Status) -> bool {
    match status.code() {
        Code::Unavailable => true,
        Code::ResourceExhausted => status.get_details_retry_info().is_some(),
        Code::Unknown | Code::Internal | Code::Cancelled => std::error::Error::source(status).is_some(),
        _ => false,
    }
}

/// Calls until it is answered or patience ends. For calls that may be made twice.
pub(crate) async fn patiently<T>(
    mut call: impl AsyncFnMut() -> Result<Response<T>, Status>,
) -> Result<T, Status> {
    let mut patience = Patience::new();
    loop {
        match call().await {
            Ok(answer) => return Ok(answer.into_inner()),
            Err(status) => {
                if !patience.again(&status).await {
                    return Err(status);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_call_is_repeated_while_nobody_answers_and_no_longer() {
        let mut calls = 0;
        let answer = patiently(async || {
            calls += 1;
            if calls < 4 { Err(Status::unavailable("starting")) } else { Ok(Response::new(calls)) }
        })
        .await;
        assert_eq!(answer.expect("answered at last"), 4);

        let mut calls = 0;
        let refused = patiently::<()>(async || {
            calls += 1;
            Err(Status::not_found("no"))
        })
        .await;
        assert_eq!((refused.expect_err("refused").code(), calls), (Code::NotFound, 1));

        let mut calls = 0;
        let gone = patiently::<()>(async || {
            calls += 1;
            Err(Status::unavailable("gone"))
        })
        .await;
        assert_eq!((gone.expect_err("never there").code(), calls), (Code::Unavailable, TRIES));
    }
}
