//! What forms send, and the answer to one that cannot be taken.

use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use maud::Markup;

/// What a field says, without spaces about it; None for one left empty.
pub(super) fn filled(field: &str) -> Option<&str> {
    Some(field.trim()).filter(|f| !f.is_empty())
}

/// The form again, with what was written in it and why it cannot be taken.
pub(super) fn refused(form: Markup) -> Response {
    (StatusCode::UNPROCESSABLE_ENTITY, form).into_response()
}
