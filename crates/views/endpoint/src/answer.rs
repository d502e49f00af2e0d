//! Answers: always JSON, never kept by anybody in between.

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde_json::json;

/// A request that gets no answer, and why.
#[derive(Debug)]
pub(crate) struct Refusal {
    pub(crate) status: StatusCode,
    pub(crate) error: String,
}

impl Refusal {
    pub(crate) fn new(status: StatusCode, error: impl Into<String>) -> Refusal {
        Refusal { status, error: error.into() }
    }

    /// The asker has to ask otherwise.
    pub(crate) fn bad_request(error: impl Into<String>) -> Refusal {
        Refusal::new(StatusCode::BAD_REQUEST, error)
    }

    /// The same question may be answered later.
    pub(crate) fn unavailable(error: impl Into<String>) -> Refusal {
        Refusal::new(StatusCode::SERVICE_UNAVAILABLE, error)
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        let mut response = with_status(self.status, json!({ "error": self.error }).to_string().into_bytes());
        if self.status == StatusCode::SERVICE_UNAVAILABLE {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static("1"));
        }
        response
    }
}

/// JSON text as an answer.
pub(crate) fn with_status(status: StatusCode, json: Vec<u8>) -> Response {
    (status, [(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], json).into_response()
}
