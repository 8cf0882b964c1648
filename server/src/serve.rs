//! The service behind a listener or within a process, and its orderly end: health says NOT_SERVING, streams
//! end, calls drain within a hard limit, running work is handed back.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use hyper_util::rt::TokioIo;
use tokio::io::{AsyncRead, AsyncWrite, DuplexStream};
use tokio::net::TcpListener;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;
use tokio_stream::wrappers::UnboundedReceiverStream;
use tokio_stream::{Stream, StreamExt};
use tokio_util::sync::{CancellationToken, DropGuard};
use tonic::transport::server::{Connected, TcpIncoming};
use tonic::transport::{Channel, Endpoint, Server, Uri};
use tracing::{info, warn};

use crate::clock::{Clock, Ids};
use crate::config::Config;
use crate::service::Service;
use crate::store::{Sqlite, Store, StoreError};
use crate::{services, worker};

/// Windows of HTTP/2: the defaults of 1 MiB make uploads three to five times slower. A connection can
/// hold so much memory at most.
const STREAM_WINDOW: u32 = 8 << 20;
const CONNECTION_WINDOW: u32 = 16 << 20;
/// A peer that is gone is noticed after 40 s.
const PING_EVERY: Duration = Duration::from_secs(30);
const PING_ANSWER: Duration = Duration::from_secs(10);
const TCP_KEEPALIVE: Duration = Duration::from_secs(60);
/// Bytes between the two ends of the connection inside the process.
const DUPLEX_BYTES: usize = 1 << 20;

/// Why the service did not start, or ended badly.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    #[error(
        "{address} is not a loopback address; without credentials the service listens on 127.0.0.1 or ::1 only"
    )]
    NotLoopback { address: SocketAddr },
    #[error("the listener cannot be used: {0}")]
    Listener(std::io::Error),
    #[error(transparent)]
    Store(#[from] StoreError),
    #[error("the folder of blobs cannot be used: {0}")]
    Blobs(std::io::Error),
    #[error("the threads that measure cannot be started: {0}")]
    Pool(#[from] rayon::ThreadPoolBuildError),
    #[error("the contract's description cannot be served: {0}")]
    Reflection(#[from] tonic_reflection::server::Error),
    #[error("serving ended: {0}")]
    Transport(#[from] tonic::transport::Error),
    #[error("the service within this process ended by a fault of the program: {0}")]
    Panicked(tokio::task::JoinError),
}

/// Opens the store of the data folder and locks the folder for this process.
///
/// # Errors
/// When another process holds the folder, or when it cannot be used.
pub async fn open_store(config: &Config) -> Result<Store, ServeError> {
    Ok(Store::Sqlite(Sqlite::open(&config.data_dir, Clock::default(), Ids::default()).await?))
}

/// Serves on `listener` until `shutdown` is done, then ends in order within the drain limit.
///
/// # Errors
/// When the listener is no loopback address, the folders cannot be used, or serving itself fails.
pub async fn run(
    listener: TcpListener,
    config: Config,
    store: Store,
    shutdown: impl Future<Output = ()>,
) -> Result<(), ServeError> {
    let address = listener.local_addr().map_err(ServeError::Listener)?;
    if !address.ip().is_loopback() {
        return Err(ServeError::NotLoopback { address });
    }
    info!(%address, data_dir = %config.data_dir.display(), "serving");
    let incoming = TcpIncoming::from(listener).with_nodelay(Some(true)).with_keepalive(Some(TCP_KEEPALIVE));
    serve(incoming, config, store, shutdown).await
}

/// The service within this process. [`Embedded::shutdown`] ends it in order; dropping it ends it without
/// waiting, and whatever ran is taken up again by the next process.
#[derive(Debug)]
pub struct Embedded {
    /// Leads to the service.
    pub channel: Channel,
    stop: CancellationToken,
    task: JoinHandle<Result<(), ServeError>>,
    _end_on_drop: DropGuard,
}

impl Embedded {
    /// Ends the service in order within the drain limit.
    ///
    /// # Errors
    /// What [`run`] answers.
    pub async fn shutdown(self) -> Result<(), ServeError> {
        let Self { channel, stop, task, _end_on_drop } = self;
        drop(channel);
        stop.cancel();
        task.await.map_err(ServeError::Panicked)?
    }
}

/// Runs the service on the data folder within this process; no port is opened.
///
/// # Errors
/// When the folder is in use or cannot be used.
pub async fn embedded(config: Config) -> Result<Embedded, ServeError> {
    let store = open_store(&config).await?;
    let stop = CancellationToken::new();
    let (ends, incoming) = mpsc::unbounded_channel::<DuplexStream>();
    let incoming = UnboundedReceiverStream::new(incoming).map(Ok::<_, std::io::Error>);
    let task = tokio::spawn(serve(incoming, config, store, stop.clone().cancelled_owned()));
    let connect = tower::service_fn(move |_: Uri| {
        let (ours, theirs) = tokio::io::duplex(DUPLEX_BYTES);
        let sent = ends.send(theirs);
        async move {
            sent.map(|()| TokioIo::new(ours)).map_err(|_| std::io::Error::other("the service has ended"))
        }
    });
    let channel = Endpoint::from_static("http://embedded.invalid")
        .initial_stream_window_size(STREAM_WINDOW)
        .initial_connection_window_size(CONNECTION_WINDOW)
        .connect_with_connector_lazy(connect);
    Ok(Embedded { channel, _end_on_drop: stop.clone().drop_guard(), stop, task })
}

async fn serve<I, Io>(
    incoming: I,
    config: Config,
    store: Store,
    shutdown: impl Future<Output = ()>,
) -> Result<(), ServeError>
where
    I: Stream<Item = Result<Io, std::io::Error>>,
    Io: AsyncRead + AsyncWrite + Connected + Unpin + Send + 'static,
{
    let drain = config.drain();
    let streams = config.limits.streams;
    let service = Arc::new(Service::new(config, store).await?);
    let stopping = service.stopping.clone();
    let workers = worker::start(&service);
    let sweeping = tokio::spawn(sweep(Arc::clone(&service)));
    let (health, routes) = services::routes(&service).await?;

    let server = Server::builder()
        .initial_stream_window_size(STREAM_WINDOW)
        .initial_connection_window_size(CONNECTION_WINDOW)
        .max_concurrent_streams(streams)
        .http2_keepalive_interval(Some(PING_EVERY))
        .http2_keepalive_timeout(Some(PING_ANSWER))
        .trace_fn(|call| tracing::info_span!("call", path = call.uri().path()))
        .add_routes(routes)
        .serve_with_incoming_shutdown(incoming, stopping.clone().cancelled_owned());
    tokio::pin!(server, shutdown);
    let ended = tokio::select! {
        ended = &mut server => Some(ended),
        () = &mut shutdown => None,
    };

    health.stop().await;
    stopping.cancel();
    sweeping.abort();
    let finish = async {
        // A connection that never says a word keeps the server waiting; the work must not wait for it.
        let served = async { if let Some(ended) = ended { ended } else { server.await } };
        let served = tokio::join!(served, workers.finished()).0;
        service.store.close().await;
        served
    };
    match tokio::time::timeout(drain, finish).await {
        Ok(served) => {
            info!("ended in order");
            Ok(served?)
        }
        Err(_) => {
            service.store.close().await;
            warn!(drain_ms = drain.as_millis(), "ended at the drain limit with calls or work still open");
            Ok(())
        }
    }
}

/// Gives up abandoned uploads, every hour.
async fn sweep(service: Arc<Service>) {
    let mut hour = tokio::time::interval(Duration::from_secs(3600));
    hour.tick().await;
    loop {
        hour.tick().await;
        let before = crate::service::given_up_before_us(&service.config);
        match service.blobs.forget_uploads(&service.store, before).await {
            Ok(0) => {}
            Ok(gone) => info!(gone, "uploads without progress were given up"),
            Err(fault) => warn!(%fault, "abandoned uploads were not looked for"),
        }
    }
}
