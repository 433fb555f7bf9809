//! Running the service: listen, work in the background, stop when told without cutting anybody off.

use super::access::NotStarted;
use super::server::Server;
use super::settings::{LogForm, LogLevel, Settings, Tls};
use super::{pulls, router};
use crate::app::desk::DeskError;
use axum_server::Handle;
use axum_server::tls_rustls::RustlsConfig;
use chrono::TimeDelta;
use hyper_util::rt::{TokioExecutor, TokioTimer};
use hyper_util::server::conn::auto::Builder;
use std::net::{SocketAddr, TcpListener};
use std::sync::Arc;
use std::time::Duration;
use tracing_subscriber::filter::LevelFilter;

/// Questions that run get so long to end when the service stops.
const LAST_ANSWERS: Duration = Duration::from_secs(10);
/// Longest wait for the head of a question, and for a sign of life from who asked many at once.
const SLOWEST_HEAD: Duration = Duration::from_secs(10);
/// How often desks are looked after.
const ROUND: Duration = Duration::from_secs(2);
/// A grove that nobody asked for in this time gets no new desk until somebody does.
const ASKED: TimeDelta = TimeDelta::minutes(15);

/// Why the service does not run.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum ServeError {
    #[error(transparent)]
    Store(#[from] DeskError),
    #[error("{listen} cannot be listened on: {error}; name another with --listen")]
    Listen { listen: SocketAddr, error: std::io::Error },
    #[error(
        "the certificate {} and key {} cannot be used: {error}; both are PEM files, the key without \
         a password, and of one pair",
        tls.cert.display(), tls.key.display()
    )]
    Tls { tls: Tls, error: std::io::Error },
    #[error(transparent)]
    Access(#[from] NotStarted),
    #[error("the service stopped: {0}")]
    Stopped(std::io::Error),
}

/// Runs the service until it is told to stop (SIGINT or SIGTERM); `listening` is called once with
/// the address and the scheme.
///
/// # Errors
/// [`ServeError`] where it cannot start.
pub async fn serve(
    settings: Settings,
    listening: impl FnOnce(SocketAddr, &str),
) -> Result<(), ServeError> {
    logged(&settings);
    let _ = rustls::crypto::ring::default_provider().install_default();
    let tls = match &settings.tls {
        None => None,
        Some(tls) => {
            let unusable = |error| ServeError::Tls { tls: tls.clone(), error };
            Some(RustlsConfig::from_pem_file(&tls.cert, &tls.key).await.map_err(unusable)?)
        }
    };
    let server = Arc::new(Server::open(settings)?);
    server.access.may_start(&server.settings)?;
    server.hear_others()?;
    let listen = server.settings.listen;
    let unheard = |error| ServeError::Listen { listen, error };
    let listener = TcpListener::bind(listen).map_err(unheard)?;
    listener.set_nonblocking(true).map_err(unheard)?;
    let address = listener.local_addr().map_err(unheard)?;
    let handle = Handle::new();
    tokio::spawn(stop_when_told(server.clone(), handle.clone()));
    tokio::spawn(rounds(server.clone()));
    if server.settings.pull {
        tokio::spawn(pulls::pull_by_itself(server.clone()));
    }
    #[cfg(unix)]
    let server_tls = server.settings.tls.clone();
    let service = router(server).into_make_service_with_connect_info::<SocketAddr>();
    let served = match tls {
        None => {
            listening(address, "http");
            let mut server = axum_server::from_tcp(listener).map_err(ServeError::Stopped)?;
            in_time(server.http_builder());
            server.handle(handle).serve(service).await
        }
        Some(tls) => {
            #[cfg(unix)]
            tokio::spawn(new_certificates(server_tls, tls.clone()));
            listening(address, "https");
            let mut server =
                axum_server::from_tcp_rustls(listener, tls).map_err(ServeError::Stopped)?;
            in_time(server.http_builder());
            server.handle(handle).serve(service).await
        }
    };
    served.map_err(ServeError::Stopped)
}

/// A client that begins a question and does not go on is let go.
fn in_time(builder: &mut Builder<TokioExecutor>) {
    builder.http1().timer(TokioTimer::new()).header_read_timeout(SLOWEST_HEAD);
    builder.http2().timer(TokioTimer::new()).keep_alive_interval(SLOWEST_HEAD);
}

fn logged(settings: &Settings) {
    let level = match settings.log_level {
        LogLevel::Error => LevelFilter::ERROR,
        LogLevel::Warn => LevelFilter::WARN,
        LogLevel::Info => LevelFilter::INFO,
        LogLevel::Debug => LevelFilter::DEBUG,
    };
    let log = tracing_subscriber::fmt().with_max_level(level).with_writer(std::io::stderr);
    // A test may have set one up already.
    let _ = match settings.log_form {
        LogForm::Text => log.with_ansi(false).try_init(),
        LogForm::Json => log.json().try_init(),
    };
}

async fn stop_when_told(server: Arc<Server>, handle: Handle<SocketAddr>) {
    told_to_stop().await;
    tracing::info!("told to stop: questions that run get {} s", LAST_ANSWERS.as_secs());
    server.stop();
    handle.graceful_shutdown(Some(LAST_ANSWERS));
}

/// Reads the certificate and the key again at each SIGHUP; where they cannot be used, the old ones
/// stay in use.
#[cfg(unix)]
async fn new_certificates(tls: Option<Tls>, config: RustlsConfig) {
    use tokio::signal::unix::{SignalKind, signal};
    let (Some(tls), Ok(mut hang_up)) = (tls, signal(SignalKind::hangup())) else { return };
    while hang_up.recv().await.is_some() {
        match config.reload_from_pem_file(&tls.cert, &tls.key).await {
            Ok(()) => tracing::info!("the certificate and key were read again"),
            Err(error) => tracing::error!("the new certificate or key cannot be used: {error}"),
        }
    }
}

#[cfg(unix)]
async fn told_to_stop() {
    use tokio::signal::unix::{SignalKind, signal};
    let Ok(mut terminate) = signal(SignalKind::terminate()) else {
        let _ = tokio::signal::ctrl_c().await;
        return;
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = terminate.recv() => {}
    }
}

#[cfg(not(unix))]
async fn told_to_stop() {
    let _ = tokio::signal::ctrl_c().await;
}

/// Keeps the desks fresh that will be asked for.
async fn rounds(server: Arc<Server>) {
    let mut stopping = server.stopping();
    loop {
        tokio::select! {
            _ = stopping.changed() => return,
            () = tokio::time::sleep(ROUND) => {}
        }
        server.refresh(ASKED).await;
    }
}
