//! What went wrong, as a page with the reason and the remedy.

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use maud::html;

use crate::page::frame::{Nav, frame};
use crate::store::StoreError;

/// A refusal.
#[derive(Debug)]
pub(super) struct Fault {
    status: StatusCode,
    words: String,
}

impl Fault {
    /// The request asks for something that is not there.
    pub(super) fn not_found(words: impl Into<String>) -> Self {
        Self {
            status: StatusCode::NOT_FOUND,
            words: words.into(),
        }
    }

    /// What was written cannot be taken.
    pub(super) fn refused(words: impl Into<String>) -> Self {
        Self {
            status: StatusCode::UNPROCESSABLE_ENTITY,
            words: words.into(),
        }
    }

    /// It cannot be done just now.
    pub(super) fn busy(words: impl Into<String>) -> Self {
        Self {
            status: StatusCode::CONFLICT,
            words: words.into(),
        }
    }

    /// The program or the machine fails.
    pub(super) fn failed(words: impl Into<String>) -> Self {
        Self {
            status: StatusCode::INTERNAL_SERVER_ERROR,
            words: words.into(),
        }
    }

    /// The reason.
    pub(super) fn words(&self) -> &str {
        &self.words
    }

    /// The status that it is answered with.
    pub(super) fn status(&self) -> StatusCode {
        self.status
    }
}

impl From<StoreError> for Fault {
    fn from(error: StoreError) -> Self {
        let status = match error {
            StoreError::NoWheel { .. }
            | StoreError::NoGrinder { .. }
            | StoreError::NoRecord { .. }
            | StoreError::OtherKind { .. }
            | StoreError::NoBaseline { .. }
            | StoreError::NoBaselineOf { .. }
            | StoreError::NoLog { .. }
            | StoreError::SoundMissing { .. }
            | StoreError::SoundPruned { .. } => StatusCode::NOT_FOUND,
            StoreError::WheelExists { .. }
            | StoreError::GrinderExists { .. }
            | StoreError::OtherState { .. }
            | StoreError::Refused { .. } => StatusCode::UNPROCESSABLE_ENTITY,
            _ => StatusCode::INTERNAL_SERVER_ERROR,
        };
        Self {
            status,
            words: error.to_string(),
        }
    }
}

impl IntoResponse for Fault {
    fn into_response(self) -> Response {
        let page = frame(
            "It cannot be done",
            Nav::None,
            &html! {
                h1 { "It cannot be done" }
                p.notice { (self.words) }
                p { a.button href="/" { "To the start" } }
            },
        );
        (self.status, page).into_response()
    }
}
