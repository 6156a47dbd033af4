//! What stands between a browser and the program. The page listens on loopback only; beyond that,
//! other pages open in the same browser are kept out:
//!
//! - a request whose `Host` is not this server's own name is refused, so that a foreign name that
//!   is made to point here (rebinding) gets nothing;
//! - a request that changes something must carry an `Origin` that is this server's own;
//! - what is sent back forbids scripts, frames and forms of others.

use std::sync::Arc;

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::page::state::Page;

/// What the pages of the program may do.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
    img-src 'self' data:; media-src 'self' blob:; connect-src 'self'; form-action 'self'; \
    base-uri 'none'; frame-ancestors 'none'";
/// What a paper or a picture may do: show itself.
pub(super) const PAPER_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; \
    img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";
/// What the page for a class may do: its own script, apart from everything of this server.
pub(super) const CLASS_POLICY: &str = "sandbox allow-scripts; default-src 'none'; \
    script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:; media-src data: blob:; \
    base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Lets a request through when it is one of ours.
pub(super) async fn guard(State(page): State<Arc<Page>>, request: Request, next: Next) -> Response {
    let refusal = refusal(request.headers(), request.method(), page.port);
    let mut response = match refusal {
        Some((status, words)) => (status, words).into_response(),
        None => next.run(request).await,
    };
    let headers = response.headers_mut();
    let fixed = [
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        // Not `no-referrer`: with that, browsers send `Origin: null` with our own forms.
        (header::REFERRER_POLICY, "same-origin"),
        (header::X_FRAME_OPTIONS, "DENY"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let own = [
        ("cross-origin-resource-policy", "same-origin"),
        ("cross-origin-opener-policy", "same-origin"),
    ];
    for (name, value) in own {
        headers.insert(
            HeaderName::from_static(name),
            HeaderValue::from_static(value),
        );
    }
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::CACHE_CONTROL, "no-store"),
    ] {
        let value = HeaderValue::from_static(value);
        headers.entry(name).or_insert(value);
    }
    response
}

/// Why a request is not let through.
fn refusal(headers: &HeaderMap, method: &Method, port: u16) -> Option<(StatusCode, &'static str)> {
    let one = |name: HeaderName| {
        let mut all = headers.get_all(name).iter();
        let first = all.next().and_then(|v| v.to_str().ok());
        // Two of them, and nobody knows which counts.
        if all.next().is_some() { None } else { first }
    };
    let Some(host) = one(header::HOST).filter(|h| is_own_host(h, port)) else {
        return Some((
            StatusCode::MISDIRECTED_REQUEST,
            "this is the bench page of fourtap, and the request is for another name",
        ));
    };
    let site = headers.get("sec-fetch-site").and_then(|v| v.to_str().ok());
    let is_foreign = site.is_some_and(|s| !matches!(s, "same-origin" | "none"));
    if matches!(*method, Method::GET | Method::HEAD) {
        // A link from elsewhere may open a view, but nothing else of ours goes into other pages.
        let is_opened = headers
            .get("sec-fetch-mode")
            .is_some_and(|m| m == "navigate");
        return (is_foreign && !is_opened)
            .then_some((StatusCode::FORBIDDEN, "another page asks for this"));
    }
    let is_own = one(header::ORIGIN).is_some_and(|o| o == format!("http://{host}"));
    (is_foreign || !is_own).then_some((
        StatusCode::FORBIDDEN,
        "only the bench page itself may change something",
    ))
}

/// True for the names that this server goes by.
fn is_own_host(host: &str, port: u16) -> bool {
    let names = ["127.0.0.1", "localhost", "[::1]"];
    let (name, given) = match host.rsplit_once(':') {
        Some((name, given)) if given.chars().all(|c| c.is_ascii_digit()) => (name, given),
        _ => (host, "80"),
    };
    names.contains(&name) && given.parse() == Ok(port)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn asked(method: &Method, pairs: &[(&'static str, &str)]) -> Option<u16> {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.append(
                HeaderName::from_static(name),
                HeaderValue::from_str(value).unwrap(),
            );
        }
        refusal(&headers, method, 4270).map(|r| r.0.as_u16())
    }

    #[test]
    fn only_its_own_names_are_answered() {
        for host in ["127.0.0.1:4270", "localhost:4270", "[::1]:4270"] {
            assert_eq!(asked(&Method::GET, &[("host", host)]), None, "{host}");
        }
        let foreign = [
            "evil.example:4270",
            "127.0.0.1",
            "127.0.0.1:4271",
            "127.0.0.1.evil.example:4270",
            "localhost:4270.evil.example",
            "127.0.0.1:4270@evil.example",
            "",
        ];
        for host in foreign {
            assert_eq!(asked(&Method::GET, &[("host", host)]), Some(421), "{host}");
        }
        assert_eq!(asked(&Method::GET, &[]), Some(421));
        let two = [("host", "127.0.0.1:4270"), ("host", "evil.example")];
        assert_eq!(asked(&Method::GET, &two), Some(421));
    }

    #[test]
    fn only_its_own_pages_change_something() {
        let host = ("host", "127.0.0.1:4270");
        let own = ("origin", "http://127.0.0.1:4270");
        assert_eq!(asked(&Method::POST, &[host, own]), None);
        for origin in [
            "http://evil.example",
            "null",
            "https://127.0.0.1:4270",
            "http://localhost:4270",
            "http://127.0.0.1:4271",
        ] {
            let with = [host, ("origin", origin)];
            assert_eq!(asked(&Method::POST, &with), Some(403), "{origin}");
            assert_eq!(asked(&Method::DELETE, &with), Some(403), "{origin}");
        }
        assert_eq!(asked(&Method::POST, &[host]), Some(403));
        let lying = [host, own, ("sec-fetch-site", "cross-site")];
        assert_eq!(asked(&Method::POST, &lying), Some(403));
    }

    #[test]
    fn nothing_goes_into_other_pages() {
        let host = ("host", "127.0.0.1:4270");
        let picture = [
            host,
            ("sec-fetch-site", "cross-site"),
            ("sec-fetch-mode", "no-cors"),
        ];
        assert_eq!(asked(&Method::GET, &picture), Some(403));
        let link = [
            host,
            ("sec-fetch-site", "cross-site"),
            ("sec-fetch-mode", "navigate"),
        ];
        assert_eq!(asked(&Method::GET, &link), None);
    }
}
