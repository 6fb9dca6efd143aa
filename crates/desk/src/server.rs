//! The page on loopback.

use std::future::Future;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::time::Duration;

use axum::body::Body;
use axum::extract::{ConnectInfo, DefaultBodyLimit, Path, Query, Request, State};
use axum::http::header::{CACHE_CONTROL, CONTENT_TYPE};
use axum::http::{HeaderName, HeaderValue, StatusCode};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use axum::{Json, Router};
use midline_session::keypoints::{BALL, RACKET};
use midline_session::marks::{Act, Marks};
use midline_session::strokes::EventKind;
use serde::Deserialize;
use serde_json::{Value, json};
use tokio::net::TcpListener;
use tokio::sync::oneshot;

use crate::guard::Guard;
use crate::{Desk, DeskError, Passage};

/// Largest request body, bytes: an act is some hundred.
const MOST_BODY_BYTES: usize = 16 << 10;

/// Longest address, bytes.
const MOST_ADDRESS_BYTES: usize = 2 << 10;

/// How long running work may take to end when the page is closed.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// The files of the page, by name.
const PAGE: [(&str, &str, &str); 8] = [
    ("", "text/html; charset=utf-8", include_str!("page/index.html")),
    ("desk.css", "text/css; charset=utf-8", include_str!("page/desk.css")),
    ("main.js", "text/javascript; charset=utf-8", include_str!("page/main.js")),
    ("server.js", "text/javascript; charset=utf-8", include_str!("page/server.js")),
    ("view.js", "text/javascript; charset=utf-8", include_str!("page/view.js")),
    ("strip.js", "text/javascript; charset=utf-8", include_str!("page/strip.js")),
    ("keys.js", "text/javascript; charset=utf-8", include_str!("page/keys.js")),
    ("frames.js", "text/javascript; charset=utf-8", include_str!("page/frames.js")),
];

/// Sent with everything: nothing from elsewhere runs or is loaded, nobody frames the page, the address with its key goes nowhere.
const HEADERS: [(&str, &str); 7] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; \
         base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("x-frame-options", "DENY"),
    ("cache-control", "no-store"),
];

struct Shared {
    desk: Arc<Desk>,
    guard: Guard,
    /// One search for proposals at a time; those that became old while waiting are not made.
    proposing: tokio::sync::Mutex<()>,
}

/// A page that is being served; dropping it ends that.
pub struct Serving {
    address: String,
    runtime: Option<tokio::runtime::Runtime>,
    stop: Option<oneshot::Sender<()>>,
}

/// Serves a desk's page on 127.0.0.1 at `port` (0: any that is free), and returns at once.
///
/// Requests must come from loopback with the right `Host`, from the page itself where they say from where, and with the random
/// key of the address; bodies and addresses have size limits; files are named by no request. What the page marks is on the disk
/// before it is answered.
///
/// # Errors
/// When the port is taken or the system refuses.
pub fn serve(desk: Arc<Desk>, port: u16) -> Result<Serving, DeskError> {
    let system = |action| move |source| DeskError::System { action, source };
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .map_err(system("starting the page's server"))?;
    let listener = runtime
        .block_on(TcpListener::bind((Ipv4Addr::LOCALHOST, port)))
        .map_err(system("opening the page's port on 127.0.0.1 (choose another with --port)"))?;
    let port = listener.local_addr().map_err(system("opening the page's port"))?.port();
    let guard = Guard::new(port).map_err(system("drawing the page's key"))?;
    let address = guard.address();
    let shared = Arc::new(Shared { desk, guard, proposing: tokio::sync::Mutex::new(()) });
    let service = router(shared).into_make_service_with_connect_info::<SocketAddr>();
    let (stop, stopped) = oneshot::channel::<()>();
    runtime.spawn(async move {
        tokio::select! {
            // Accepting connections goes on after errors by itself.
            _ = axum::serve(listener, service) => {}
            _ = stopped => {}
        }
    });
    Ok(Serving { address, runtime: Some(runtime), stop: Some(stop) })
}

impl Serving {
    /// The page's address with its key.
    #[must_use]
    pub fn address(&self) -> &str {
        &self.address
    }

    /// Serves until the person interrupts the program (Ctrl-C).
    ///
    /// # Errors
    /// When the system does not say when that happens.
    pub fn until_interrupted(self) -> Result<(), DeskError> {
        let Some(runtime) = &self.runtime else { return Ok(()) };
        runtime
            .block_on(tokio::signal::ctrl_c())
            .map_err(|source| DeskError::System { action: "waiting for Ctrl-C", source })
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        if let Some(stop) = self.stop.take() {
            // It may have ended by itself.
            let _ = stop.send(());
        }
        if let Some(runtime) = self.runtime.take() {
            runtime.shutdown_timeout(LAST_WORDS);
        }
    }
}

fn router(shared: Arc<Shared>) -> Router {
    Router::new()
        .route("/{key}/", get(page))
        .route("/{key}/{file}", get(file))
        .route("/{key}/session", get(session))
        .route("/{key}/frame/{camera}/{frame}", get(frame))
        .route("/{key}/curve", get(curve))
        .route("/{key}/proposals", get(proposals))
        .route("/{key}/act", post(act))
        .route("/{key}/keep", post(keep))
        .route("/{key}/solve", post(solve))
        .layer(DefaultBodyLimit::max(MOST_BODY_BYTES))
        .layer(axum::middleware::from_fn_with_state(Arc::clone(&shared), gate))
        .with_state(shared)
}

async fn gate(State(shared): State<Arc<Shared>>, request: Request, next: Next) -> Response {
    let from = request.extensions().get::<ConnectInfo<SocketAddr>>().map(|ConnectInfo(from)| *from);
    let refusal = if request.uri().to_string().len() > MOST_ADDRESS_BYTES {
        Some((StatusCode::URI_TOO_LONG, "the address is too long"))
    } else {
        shared.guard.refusal(from, request.method(), request.uri(), request.headers())
    };
    let mut response = match refusal {
        Some(refusal) => refusal.into_response(),
        None => next.run(request).await,
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(HeaderName::from_static(name), HeaderValue::from_static(value));
    }
    response
}

impl IntoResponse for DeskError {
    fn into_response(self) -> Response {
        let status = match &self {
            Self::UnknownCamera { .. } | Self::NoSuchFrame { .. } => StatusCode::NOT_FOUND,
            Self::BadAct { .. } | Self::BadPassage { .. } => StatusCode::UNPROCESSABLE_ENTITY,
            Self::NotCalibrated { .. } => StatusCode::CONFLICT,
            Self::Media(_) | Self::Session(_) | Self::Jpeg { .. } | Self::System { .. } => {
                StatusCode::INTERNAL_SERVER_ERROR
            }
        };
        (status, Json(json!({ "error": self.to_string() }))).into_response()
    }
}

/// Work that takes its time, off the threads that answer.
async fn aside<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, DeskError> + Send + 'static,
) -> Result<T, DeskError> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|error| {
        let source = std::io::Error::other(error);
        Err(DeskError::System { action: "working on a request", source })
    })
}

fn page() -> impl Future<Output = Response> {
    std::future::ready(page_file(""))
}

async fn file(Path((_, name)): Path<(String, String)>) -> Response {
    page_file(&name)
}

fn page_file(name: &str) -> Response {
    match PAGE.iter().find(|(known, _, _)| *known == name) {
        Some((_, kind, content)) => ([(CONTENT_TYPE, *kind)], *content).into_response(),
        None => StatusCode::NOT_FOUND.into_response(),
    }
}

async fn session(State(shared): State<Arc<Shared>>) -> Json<Value> {
    let desk = &shared.desk;
    let description = &desk.session().description;
    let calibrated = desk.calibrated();
    let solved = calibrated.as_ref().as_ref();
    let cameras: Vec<Value> = desk
        .films()
        .iter()
        .zip(&description.cameras)
        .enumerate()
        .map(|(index, (film, camera))| {
            let clock = solved.ok().and_then(|c| c.get(index)).map(|c| &c.clock);
            json!({
                "name": film.camera,
                "size_px": film.footage.size_px,
                "frame_pts_seconds": film.footage.frame_pts_seconds,
                "offset_seconds": clock.map_or(0.0, |c| c.offset_seconds),
                "rate": clock.map_or(1.0, |c| c.rate),
                "court_points": camera.court_points,
            })
        })
        .collect();
    let events: Vec<Value> =
        desk.known_events().iter().map(|e| json!({ "kind": e.kind, "session_seconds": e.session_seconds })).collect();
    let kinds: Vec<Value> = EVENT_KINDS.iter().map(|k| json!({ "kind": k, "label": k.label() })).collect();
    Json(json!({
        "player": description.player.code,
        "cameras": cameras,
        "names": RACKET.iter().chain([&BALL]).collect::<Vec<_>>(),
        "court": desk.court().map(|c| c.points_m.keys().collect::<Vec<_>>()),
        "not_calibrated": solved.err(),
        "known_events": events,
        "event_kinds": kinds,
        "state": state(desk.marks()),
    }))
}

/// Events that can be seen in a picture and marked.
const EVENT_KINDS: [EventKind; 9] = [
    EventKind::Bounce,
    EventKind::TakeBackStart,
    EventKind::TakeBackEnd,
    EventKind::FarthestAcross,
    EventKind::DropTop,
    EventKind::DropBottom,
    EventKind::ForwardSwingStart,
    EventKind::Contact,
    EventKind::FollowThroughEnd,
];

fn state((acts, marks): (usize, Marks)) -> Value {
    json!({ "acts": acts, "marks": marks })
}

async fn frame(
    State(shared): State<Arc<Shared>>,
    Path((_, camera, frame)): Path<(String, String, usize)>,
) -> Result<Response, DeskError> {
    let bytes = aside(move || shared.desk.film(&camera)?.1.jpeg(frame)).await?;
    Ok(([(CONTENT_TYPE, "image/jpeg"), (CACHE_CONTROL, "no-store")], Body::from(bytes.as_ref().clone()))
        .into_response())
}

/// What the curve is asked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CurveAsked {
    from: String,
    from_frame: usize,
    x: f64,
    y: f64,
    vx: Option<f64>,
    vy: Option<f64>,
    to: String,
    to_frame: usize,
}

async fn curve(State(shared): State<Arc<Shared>>, Query(asked): Query<CurveAsked>) -> Result<Json<Value>, DeskError> {
    let curve = aside(move || {
        let velocity = asked.vx.zip(asked.vy).map(|(x, y)| [x, y]);
        let numbers = [Some(asked.x), Some(asked.y), asked.vx, asked.vy];
        if numbers.into_iter().flatten().any(|v| !v.is_finite() || v.abs() > 1e6) {
            return Err(DeskError::BadAct { reason: "a coordinate or velocity is no usable number".to_owned() });
        }
        let (from, to) = ((asked.from.as_str(), asked.from_frame), (asked.to.as_str(), asked.to_frame));
        shared.desk.curve(from, [asked.x, asked.y], velocity, to)
    })
    .await?;
    Ok(Json(json!(curve)))
}

async fn act(State(shared): State<Arc<Shared>>, Json(act): Json<Act>) -> Result<Json<Value>, DeskError> {
    if matches!(act, Act::Carry { .. }) {
        return Err(DeskError::BadAct { reason: "carried points are kept by asking for that".to_owned() });
    }
    Ok(Json(state(aside(move || shared.desk.act(act)).await?)))
}

/// For which marks proposals are wanted, and where.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ProposalsAsked {
    acts: usize,
    from_seconds: f64,
    to_seconds: f64,
}

async fn proposals(
    State(shared): State<Arc<Shared>>,
    Query(asked): Query<ProposalsAsked>,
) -> Result<Response, DeskError> {
    let _one = shared.proposing.lock().await;
    if shared.desk.marks().0 != asked.acts {
        // Marked meanwhile; the page asks again. Not status 204, which the browser reports as a request that failed.
        return Ok(Json(Value::Null).into_response());
    }
    let desk = Arc::clone(&shared.desk);
    let passage = Passage { from_seconds: asked.from_seconds, to_seconds: asked.to_seconds };
    let found = aside(move || desk.proposals(passage)).await?;
    Ok(Json(json!({ "acts": asked.acts, "proposals": found })).into_response())
}

async fn keep(State(shared): State<Arc<Shared>>, Json(passage): Json<Passage>) -> Result<Json<Value>, DeskError> {
    let _one = shared.proposing.lock().await;
    let desk = Arc::clone(&shared.desk);
    Ok(Json(state(aside(move || desk.keep_carried(passage)).await?)))
}

async fn solve(State(shared): State<Arc<Shared>>) -> Result<Json<Value>, DeskError> {
    let desk = Arc::clone(&shared.desk);
    let solved = aside(move || Ok(desk.recalibrate())).await?;
    Ok(Json(json!({ "not_calibrated": solved.as_ref().as_ref().err() })))
}
