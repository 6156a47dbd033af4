//! Listens on loopback and answers.

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::Receiver;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::middleware::from_fn_with_state;
use axum::routing::{get, post};

use crate::page::fault::Fault;
use crate::page::state::Page;
use crate::page::{
    after_view, assets, baseline_view, fit_view, gauge_view, grinder_view, guard, home_view,
    lot_view, record_view, settings_view, sound_view, sounding_view, specification_view,
    teach_view, upload, wheel_view,
};
use crate::store::{Store, StoreError};

/// Most bytes of a form.
const FORM_BYTES: usize = 64 << 10;

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    /// The port.
    #[error(
        "the port {port} of this machine cannot be listened on ({why}); choose another with --port, or 0 for any that is free"
    )]
    Port {
        /// Which.
        port: u16,
        /// What the system said.
        why: std::io::Error,
    },
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The server.
    #[error("the page broke off: {0}")]
    Server(std::io::Error),
}

/// A page that is listened for but not served yet.
#[derive(Debug)]
pub struct PageServer {
    listener: std::net::TcpListener,
    folder: PathBuf,
    port: u16,
}

impl PageServer {
    /// Takes the port on loopback (0 for any that is free), over the store in `folder`, which is
    /// made when it is not there.
    ///
    /// # Errors
    /// [`PageError`] when the port is taken or the store cannot be opened.
    pub fn bind(folder: PathBuf, port: u16) -> Result<Self, PageError> {
        drop(Store::open(&folder)?);
        let failed = |why| PageError::Port { port, why };
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
        let listener = std::net::TcpListener::bind(address).map_err(failed)?;
        listener.set_nonblocking(true).map_err(failed)?;
        let port = listener.local_addr().map_err(failed)?.port();
        Ok(Self {
            listener,
            folder,
            port,
        })
    }

    /// Where a browser finds it.
    pub fn address(&self) -> String {
        format!("http://127.0.0.1:{}/", self.port)
    }

    /// Serves until something comes from `stop`; a sounding that is being taken is then stopped
    /// and kept.
    ///
    /// # Errors
    /// [`PageError::Server`].
    pub fn serve(self, stop: Receiver<()>) -> Result<(), PageError> {
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_all()
            .build()
            .map_err(PageError::Server)?;
        let page = Arc::new(Page::new(self.folder, self.port));
        let at_end = Arc::clone(&page);
        let done = runtime.block_on(async move {
            let listener = tokio::net::TcpListener::from_std(self.listener)?;
            let (gone, stopped) = tokio::sync::oneshot::channel::<()>();
            std::thread::spawn(move || {
                let _ = stop.recv();
                let _ = gone.send(());
            });
            let server = axum::serve(listener, routes(page));
            // Open streams would hold a graceful end up for ever.
            tokio::select! {
                done = async { server.await } => done,
                _ = stopped => Ok(()),
            }
        });
        at_end.bench.close();
        runtime.shutdown_background();
        done.map_err(PageError::Server)
    }
}

fn routes(page: Arc<Page>) -> Router {
    Router::new()
        .route("/", get(home_view::home))
        .route("/assets/{name}", get(assets::asset))
        .route("/sound", get(sound_view::live))
        .route("/sound/prepare", get(sound_view::prepare))
        .route("/sound/begin", post(sound_view::begin))
        .route("/sound/resume", post(sound_view::resume))
        .route("/sound/word", post(sound_view::word))
        .route("/sound/events", get(sound_view::events))
        .route("/wheels", get(wheel_view::list).post(wheel_view::add))
        .route("/wheels/new", get(wheel_view::new))
        .route("/wheels/{id}", get(wheel_view::show))
        .route(
            "/wheels/{id}/edit",
            get(wheel_view::edit_form).post(wheel_view::edit),
        )
        .route("/wheels/{id}/state", post(wheel_view::state))
        .route("/wheels/{id}/trend.svg", get(wheel_view::trend))
        .route("/wheels/{id}/modes", get(wheel_view::modes))
        .route(
            "/wheels/{id}/baseline/retire",
            post(wheel_view::retire_baseline),
        )
        .route("/wheels/{id}/baseline", post(wheel_view::baseline))
        .route(
            "/wheels/{id}/after",
            get(after_view::show).post(after_view::tick),
        )
        .route("/grinders", get(grinder_view::list).post(grinder_view::add))
        .route("/grinders/{id}", get(grinder_view::show))
        .route("/grinders/{id}/edit", post(grinder_view::edit))
        .route("/grinders/{id}/retire", post(grinder_view::retire))
        .route("/baselines", get(baseline_view::show))
        .route("/baselines/retire", post(baseline_view::retire))
        .route(
            "/specifications",
            get(specification_view::list).post(specification_view::build),
        )
        .route("/gauge", get(gauge_view::show))
        .route("/gauge/study", post(gauge_view::study))
        .route("/soundings/{number}/reread", get(sounding_view::again))
        .route("/fit", get(fit_view::show).post(fit_view::keep))
        .route(
            "/recordings",
            post(upload::recording).layer(DefaultBodyLimit::disable()),
        )
        .route("/soundings/{number}", get(sounding_view::show))
        .route(
            "/soundings/{number}/spectrum.svg",
            get(sounding_view::spectrum),
        )
        .route("/soundings/{number}/face.svg", get(sounding_view::face))
        .route(
            "/soundings/{number}/waveform/{file}",
            get(sounding_view::waveform),
        )
        .route(
            "/soundings/{number}/tap/{tap}/{what}",
            get(sounding_view::tap),
        )
        .route("/soundings/{number}/sheet", get(sounding_view::sheet))
        .route("/soundings/{number}/tag", get(sounding_view::tag))
        .route("/compare", get(sounding_view::compare))
        .route("/compare/overlay.svg", get(sounding_view::overlay_svg))
        .route("/lots", get(lot_view::list).post(lot_view::add))
        .route("/lots/{lot}", get(lot_view::show))
        .route(
            "/lots/{lot}/recordings",
            post(lot_view::recording).layer(DefaultBodyLimit::disable()),
        )
        .route("/lots/{lot}/report", get(lot_view::report))
        .route("/lots/{lot}/chart/{name}", get(lot_view::chart))
        .route("/lots/{lot}/read", post(lot_view::read))
        .route("/lots/{lot}/progress", get(lot_view::progress))
        .route("/teach", get(teach_view::home))
        .route("/teach/class", get(teach_view::class))
        .route("/teach/recordings", get(teach_view::recordings))
        .route("/teach/recordings/{place}", get(teach_view::recording))
        .route("/teach/training", get(teach_view::training))
        .route("/teach/ear", post(teach_view::begin))
        .route("/teach/ear/{test}", get(teach_view::ear))
        .route("/teach/ear/{test}/sound.wav", get(teach_view::sound))
        .route("/teach/ear/{test}/played", post(teach_view::played))
        .route("/teach/ear/{test}/answer", post(teach_view::answer))
        .route("/records", get(record_view::list))
        .route("/records/{number}", get(record_view::show))
        .route("/records/room", get(record_view::room))
        .route("/records/prune", post(record_view::remove))
        .route(
            "/records/import",
            post(record_view::import).layer(DefaultBodyLimit::disable()),
        )
        .route("/records/verify", get(record_view::verify))
        .route("/records/export.jsonl", get(record_view::json_lines))
        .route("/records/soundings.csv", get(record_view::csv))
        .route(
            "/settings",
            get(settings_view::show).post(settings_view::change),
        )
        .fallback(async || Fault::not_found("There is no such view."))
        .layer(DefaultBodyLimit::max(FORM_BYTES))
        .layer(from_fn_with_state(Arc::clone(&page), guard::guard))
        .with_state(page)
}
