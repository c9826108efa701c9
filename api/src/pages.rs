//! The pages, built from `dashboards/` at compile time and carried in the binary.
//!
//! Every path that is no file is the application itself, which reads the path in the browser;
//! below `/api/` what is not there is a problem, never a page. Without the `pages` feature the
//! router says that this binary has none.

use crate::Problem;
use axum::Router;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};

/// Serves the pages on every path that no other route takes.
pub(crate) fn router<S: Clone + Send + Sync + 'static>() -> Router<S> {
    Router::new().fallback(serve)
}

/// Nothing inline and nothing from elsewhere runs or loads, and no other site may frame a page.
const CONTENT_SECURITY_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
    img-src 'self' data:; font-src 'self'; connect-src 'self'; manifest-src 'self'; worker-src 'self'; \
    base-uri 'none'; form-action 'self'; frame-ancestors 'none'";

/// Asset names carry a hash of their content, so what was fetched once stays right.
const FOR_EVER: &str = "public, max-age=31536000, immutable";

/// The index and the worker are asked for each time; the ETag makes that cheap.
const ASK_EACH_TIME: &str = "no-cache";

async fn serve(method: Method, uri: Uri, headers: HeaderMap) -> Response {
    if uri.path().starts_with("/api/") {
        return Problem::not_found(NOTHING_HERE).into_response();
    }
    if !is_well_encoded(uri.path()) {
        return Problem::bad_request(BADLY_ENCODED).into_response();
    }
    if method != Method::GET && method != Method::HEAD {
        return (
            StatusCode::METHOD_NOT_ALLOWED,
            [(header::ALLOW, "GET, HEAD")],
        )
            .into_response();
    }
    let path = uri.path().trim_start_matches('/');
    if path.starts_with("assets/") && load(path).is_none() {
        return Problem::not_found(NOTHING_HERE).into_response();
    }
    let name = if load(path).is_some() {
        path
    } else {
        "index.html"
    };
    match best_encoding(name, &headers) {
        Some(found) => respond(name, found, &headers),
        None => (StatusCode::NOT_FOUND, NO_PAGES).into_response(),
    }
}

const NOTHING_HERE: &str =
    "there is nothing at this address; /api/v1/openapi.json lists what there is";

const BADLY_ENCODED: &str =
    "this address does not read: a % is followed by two hexadecimal digits, and all is UTF-8";

/// Whether a path can be read as text: every `%` with its two digits (RFC 3986 section 2.1), and UTF-8.
fn is_well_encoded(path: &str) -> bool {
    let mut bytes = Vec::with_capacity(path.len());
    let mut rest = path.as_bytes();
    while let [first, tail @ ..] = rest {
        rest = tail;
        if *first != b'%' {
            bytes.push(*first);
            continue;
        }
        let digit = |place: usize| {
            let byte = tail.get(place).copied()?;
            char::from(byte).to_digit(16)
        };
        let (Some(high), Some(low)) = (digit(0), digit(1)) else {
            return false;
        };
        bytes.push((high * 16 + low) as u8);
        rest = &tail[2..];
    }
    std::str::from_utf8(&bytes).is_ok()
}

const NO_PAGES: &str = "This binary was built without its pages; the API is under /api/v1/.\n";

/// A file as it lies in the binary.
struct Found {
    bytes: std::borrow::Cow<'static, [u8]>,
    sha256: [u8; 32],
    encoding: Option<&'static str>,
}

/// The smallest form that the browser takes: brotli, gzip, or the file as it is.
fn best_encoding(name: &str, headers: &HeaderMap) -> Option<Found> {
    let accepted = headers
        .get(header::ACCEPT_ENCODING)
        .and_then(|value| value.to_str().ok())
        .unwrap_or("");
    [("br", ".br"), ("gzip", ".gz")]
        .into_iter()
        .filter(|(coding, _)| accepts(accepted, coding))
        .find_map(|(coding, suffix)| {
            load(&format!("{name}{suffix}")).map(|found| Found {
                encoding: Some(coding),
                ..found
            })
        })
        .or_else(|| load(name))
}

/// Whether an `Accept-Encoding` list names `coding` without refusing it (`q=0`).
fn accepts(list: &str, coding: &str) -> bool {
    list.split(',').any(|entry| {
        let mut parts = entry.split(';').map(str::trim);
        parts
            .next()
            .is_some_and(|name| name.eq_ignore_ascii_case(coding))
            && !parts.any(|p| {
                p.strip_prefix("q=")
                    .and_then(|q| q.parse::<f32>().ok())
                    .is_some_and(|q| q <= 0.0)
            })
    })
}

fn respond(name: &str, found: Found, request: &HeaderMap) -> Response {
    let tag = etag(&found.sha256);
    let mut headers = HeaderMap::new();
    let mut set = |name, value: &'static str| headers.insert(name, HeaderValue::from_static(value));
    set(header::CONTENT_TYPE, content_type(name));
    set(
        header::CACHE_CONTROL,
        if name.starts_with("assets/") {
            FOR_EVER
        } else {
            ASK_EACH_TIME
        },
    );
    set(header::VARY, "accept-encoding");
    set(header::X_CONTENT_TYPE_OPTIONS, "nosniff");
    set(header::REFERRER_POLICY, "same-origin");
    set(header::CONTENT_SECURITY_POLICY, CONTENT_SECURITY_POLICY);
    if let Some(coding) = found.encoding {
        set(header::CONTENT_ENCODING, coding);
    }
    let known = request
        .get(header::IF_NONE_MATCH)
        .and_then(|value| value.to_str().ok());
    let unchanged = known.is_some_and(|list| {
        list.split(',')
            .any(|known| known.trim().trim_start_matches("W/") == tag)
    });
    if let Ok(tag) = HeaderValue::from_str(&tag) {
        headers.insert(header::ETAG, tag);
    }
    if unchanged {
        headers.remove(header::CONTENT_ENCODING);
        return (StatusCode::NOT_MODIFIED, headers).into_response();
    }
    (headers, found.bytes).into_response()
}

/// Half of the hash is plenty to tell two builds apart.
fn etag(sha256: &[u8; 32]) -> String {
    let hex: String = sha256[..16]
        .iter()
        .map(|byte| format!("{byte:02x}"))
        .collect();
    format!("\"{hex}\"")
}

fn content_type(name: &str) -> &'static str {
    match name.rsplit('.').next() {
        Some("html") => "text/html; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("svg") => "image/svg+xml",
        Some("png") => "image/png",
        Some("webmanifest") => "application/manifest+json",
        Some("json") => "application/json",
        Some("txt") => "text/plain; charset=utf-8",
        _ => "application/octet-stream",
    }
}

#[cfg(feature = "pages")]
mod built {
    include!(concat!(env!("OUT_DIR"), "/built_pages.rs"));

    pub(super) fn load(name: &str) -> Option<super::Found> {
        Built::get(name).map(|file| super::Found {
            sha256: file.metadata.sha256_hash(),
            bytes: file.data,
            encoding: None,
        })
    }
}

#[cfg(feature = "pages")]
use built::load;

#[cfg(not(feature = "pages"))]
fn load(_name: &str) -> Option<Found> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::body::Body;
    use axum::http::Request;
    use tower::ServiceExt;

    async fn get(path: &str, headers: &[(&str, &str)]) -> Response {
        let mut request = Request::builder().uri(path);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let request = request.body(Body::empty()).unwrap();
        router::<()>().oneshot(request).await.unwrap()
    }

    fn header<'a>(response: &'a Response, name: &str) -> &'a str {
        response
            .headers()
            .get(name)
            .map_or("", |value| value.to_str().unwrap())
    }

    #[test]
    fn a_refused_coding_is_not_accepted() {
        assert!(accepts("gzip, deflate, br", "br"));
        assert!(accepts("gzip;q=0.5, br;q=1.0", "gzip"));
        assert!(!accepts("gzip, br;q=0", "br"));
        assert!(!accepts("", "gzip"));
    }

    #[tokio::test]
    async fn the_api_is_never_answered_with_a_page() {
        assert_eq!(
            get("/api/v1/nothing", &[]).await.status(),
            StatusCode::NOT_FOUND
        );
    }

    #[cfg(feature = "pages")]
    #[tokio::test]
    async fn every_other_path_is_the_application() {
        for path in ["/", "/hives/ridge-4", "/devices"] {
            let page = get(path, &[]).await;
            assert_eq!(page.status(), StatusCode::OK, "{path}");
            assert_eq!(header(&page, "content-type"), "text/html; charset=utf-8");
            assert_eq!(header(&page, "cache-control"), ASK_EACH_TIME);
            let policy = header(&page, "content-security-policy");
            assert!(policy.contains("script-src 'self';") && !policy.contains("unsafe"));
        }
    }

    #[cfg(feature = "pages")]
    #[tokio::test]
    async fn the_smallest_accepted_form_is_sent() {
        let page = get("/", &[("accept-encoding", "gzip, br")]).await;
        assert_eq!(header(&page, "content-encoding"), "br");
        let page = get("/", &[("accept-encoding", "gzip")]).await;
        assert_eq!(header(&page, "content-encoding"), "gzip");
        assert_eq!(header(&get("/", &[]).await, "content-encoding"), "");
    }

    #[cfg(feature = "pages")]
    #[tokio::test]
    async fn what_the_browser_has_is_not_sent_again() {
        let tag = header(&get("/", &[]).await, "etag").to_owned();
        let again = get("/", &[("if-none-match", &tag)]).await;
        assert_eq!(again.status(), StatusCode::NOT_MODIFIED);
        let other = get("/", &[("if-none-match", "\"0\"")]).await;
        assert_eq!(other.status(), StatusCode::OK);
    }

    #[cfg(feature = "pages")]
    #[tokio::test]
    async fn hashed_assets_are_kept_for_ever_and_missing_ones_are_missing() {
        assert_eq!(
            get("/assets/gone-1234.js", &[]).await.status(),
            StatusCode::NOT_FOUND
        );
        let name = built_assets()
            .into_iter()
            .next()
            .expect("a build has assets");
        assert_eq!(
            header(&get(&format!("/{name}"), &[]).await, "cache-control"),
            FOR_EVER
        );
    }

    #[cfg(feature = "pages")]
    fn built_assets() -> Vec<String> {
        let index = load("index.html").expect("a build has an index");
        let html = String::from_utf8(index.bytes.into_owned()).unwrap();
        html.split('"')
            .filter_map(|part| part.strip_prefix('/'))
            .filter(|part| part.starts_with("assets/"))
            .map(str::to_owned)
            .collect()
    }
}
