//! The routes: each takes its parameters, asks one question, answers its rows.

use crate::answer::{Refusal, with_status};
use crate::host;
use crate::parameters::Parameters;
use crate::reader::Reader;
use axum::Router;
use axum::extract::{Query, Request, State};
use axum::http::{HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use questions::Snapshot;
use serde_json::Value;
use std::sync::Arc;
use tokio::sync::watch;
use verdict::Criteria;

/// What every route is given.
#[derive(Clone)]
struct Shared {
    reader: Reader,
    criteria: Option<Arc<Criteria>>,
    health: watch::Receiver<Value>,
}

/// All routes, and what holds for every answer.
pub(crate) fn router(
    reader: Reader,
    criteria: Option<Criteria>,
    health: watch::Receiver<Value>,
    only_loopback: bool,
) -> Router {
    Router::new()
        .route("/v1/health", get(health_now))
        .route("/v1/run", get(run))
        .route("/v1/slots", get(slots))
        .route("/v1/shots", get(shots))
        .route("/v1/orphans", get(orphans))
        .route("/v1/reports", get(reports))
        .route("/v1/gaps", get(gaps))
        .route("/v1/rails", get(rails))
        .route("/v1/verdict", get(verdict))
        .route("/v1/clock", get(clock))
        .fallback(no_such_route)
        .method_not_allowed_fallback(only_reading)
        .layer(from_fn_with_state(only_loopback, refuse_other_hosts))
        .layer(from_fn(never_stored))
        .with_state(Shared { reader, criteria: criteria.map(Arc::new), health })
}

async fn health_now(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    parameters(&uri)?.end()?;
    let health = shared.health.borrow().clone();
    let ready = health.get("ready") == Some(&Value::Bool(true));
    let status = if ready { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    Ok(with_status(status, health.to_string().into_bytes()))
}

async fn run(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    parameters(&uri)?.end()?;
    Ok(with_status(StatusCode::OK, shared.reader.ask(|run| run.run_summary()).await?))
}

async fn slots(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let mut given = parameters(&uri)?;
    let (slot, page) = (given.slot(), given.page());
    given.end()?;
    let answer = shared.reader.ask(move |run| run.slots_page(slot.as_deref(), &page)).await?;
    Ok(with_status(StatusCode::OK, answer))
}

async fn shots(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let mut given = parameters(&uri)?;
    let (filter, why, page) = (given.shot_filter(), given.why(), given.page());
    given.end()?;
    let asked =
        move |run: &Snapshot<'_>| if why { run.shots_with_causes(&filter, &page) } else { run.shots(&filter, &page) };
    let answer = shared.reader.ask(asked).await?;
    Ok(with_status(StatusCode::OK, answer))
}

async fn orphans(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let mut given = parameters(&uri)?;
    let (filter, page) = (given.orphan_filter(), given.page());
    given.end()?;
    let answer = shared.reader.ask(move |run| run.orphans(&filter, &page)).await?;
    Ok(with_status(StatusCode::OK, answer))
}

async fn reports(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let mut given = parameters(&uri)?;
    let (filter, page) = (given.report_filter(), given.page());
    given.end()?;
    let answer = shared.reader.ask(move |run| run.reports(&filter, &page)).await?;
    Ok(with_status(StatusCode::OK, answer))
}

async fn gaps(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let mut given = parameters(&uri)?;
    let (filter, page) = (given.gap_filter(), given.page());
    given.end()?;
    let answer = shared.reader.ask(move |run| run.gaps(&filter, &page)).await?;
    Ok(with_status(StatusCode::OK, answer))
}

async fn rails(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let mut given = parameters(&uri)?;
    let (filter, page) = (given.rail_filter(), given.page());
    given.end()?;
    let answer = shared.reader.ask(move |run| run.rails(&filter, &page)).await?;
    Ok(with_status(StatusCode::OK, answer))
}

async fn verdict(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    parameters(&uri)?.end()?;
    let Some(criteria) = shared.criteria else {
        let error = "there is nothing to judge by: criteria.file of the configuration names no file";
        return Err(Refusal::new(StatusCode::NOT_FOUND, error));
    };
    let answer = shared.reader.ask(move |run| run.verdict(&criteria, clocks::wall())).await?;
    Ok(with_status(StatusCode::OK, answer))
}

async fn clock(State(shared): State<Shared>, uri: Uri) -> Result<Response, Refusal> {
    let mut given = parameters(&uri)?;
    let page = given.page();
    given.end()?;
    let answer = shared.reader.ask(move |run| run.clocks_page(&page)).await?;
    Ok(with_status(StatusCode::OK, answer))
}

fn parameters(uri: &Uri) -> Result<Parameters, Refusal> {
    let Query(pairs) = Query::try_from_uri(uri).map_err(|error| Refusal::bad_request(error.body_text()))?;
    Ok(Parameters::new(pairs))
}

async fn no_such_route(uri: Uri) -> Refusal {
    let routes = "/v1/health, /v1/run, /v1/slots, /v1/shots, /v1/orphans, /v1/reports, /v1/gaps, /v1/rails, /v1/clock, \
                  /v1/verdict";
    Refusal::new(StatusCode::NOT_FOUND, format!("no route {:?}; there are {routes}", uri.path()))
}

async fn only_reading(method: Method) -> Refusal {
    let error = format!("the endpoint only answers questions: GET or HEAD, not {method}");
    Refusal::new(StatusCode::METHOD_NOT_ALLOWED, error)
}

async fn refuse_other_hosts(State(only_loopback): State<bool>, request: Request, next: Next) -> Response {
    if only_loopback && !host::is_loopback(request.uri(), request.headers()) {
        let error = "this endpoint is bound to loopback and answers only to loopback names, such as 127.0.0.1";
        return Refusal::new(StatusCode::MISDIRECTED_REQUEST, error).into_response();
    }
    next.run(request).await
}

async fn never_stored(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    response
}
