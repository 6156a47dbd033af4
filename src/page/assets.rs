//! The files that belong to every page, built into the program.

use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};

const FILES: [(&str, &str, &str); 6] = [
    (
        "bench.css",
        "text/css; charset=utf-8",
        include_str!("assets/bench.css"),
    ),
    (
        "page.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/page.js"),
    ),
    (
        "sound.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/sound.js"),
    ),
    (
        "upload.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/upload.js"),
    ),
    (
        "ear.js",
        "text/javascript; charset=utf-8",
        include_str!("assets/ear.js"),
    ),
    ("icon.svg", "image/svg+xml", include_str!("assets/icon.svg")),
];

/// One of them.
pub(super) async fn asset(Path(name): Path<String>) -> Response {
    match FILES.iter().find(|f| f.0 == name) {
        Some((_, kind, text)) => {
            let headers = [
                (header::CONTENT_TYPE, *kind),
                (header::CACHE_CONTROL, "no-cache"),
            ];
            (headers, *text).into_response()
        }
        None => (StatusCode::NOT_FOUND, "there is no such file").into_response(),
    }
}
