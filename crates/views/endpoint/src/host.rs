//! Which Host a request may name.
//!
//! A page in a browser on the same machine can have its own name resolve to 127.0.0.1 and then read an endpoint there as if
//! it were its own (DNS rebinding). Such a request still names the page's host, so an endpoint on loopback refuses
//! every host that is not loopback.

use axum::http::{HeaderMap, Uri, header};
use std::net::IpAddr;

/// Whether everything by which the request names its host is loopback; a request that names none is no browser's.
///
/// An absolute request target overrides the Host field (RFC 9112, section 3.2.2), so both are looked at.
pub(crate) fn is_loopback(uri: &Uri, headers: &HeaderMap) -> bool {
    let target = uri.authority().map(|a| names_loopback(a.as_str()));
    let fields = headers.get_all(header::HOST).iter().map(|field| field.to_str().is_ok_and(names_loopback));
    target.into_iter().chain(fields).all(|loopback| loopback)
}

/// Whether `host` or `host:port` is loopback. The form is that of RFC 3986, section 3.2.2.
fn names_loopback(authority: &str) -> bool {
    let (host, port) = match authority.strip_prefix('[') {
        Some(rest) => match rest.split_once(']') {
            Some((address, port)) => (address, port.strip_prefix(':').unwrap_or(port)),
            None => return false,
        },
        None => authority.split_once(':').unwrap_or((authority, "")),
    };
    let port_is_digits = port.bytes().all(|b| b.is_ascii_digit());
    port_is_digits
        && (host.eq_ignore_ascii_case("localhost") || host.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_loopback_names_pass() {
        for yes in ["localhost", "LocalHost:9741", "127.0.0.1", "127.0.0.1:9741", "127.8.9.1:1", "[::1]", "[::1]:9741"]
        {
            assert!(names_loopback(yes), "{yes}");
        }
        for no in [
            "evil.example",
            "evil.example:9741",
            "localhost.evil.example",
            "127.0.0.1.evil.example",
            "10.0.0.1",
            "[::2]:80",
            "[::1",
            "user@localhost",
            "localhost:80@evil.example",
            "",
            "0.0.0.0",
        ] {
            assert!(!names_loopback(no), "{no}");
        }
    }

    #[test]
    fn every_name_that_the_request_gives_counts() {
        let headers = |hosts: &[&str]| {
            let mut map = HeaderMap::new();
            for host in hosts {
                map.append(header::HOST, host.parse().unwrap());
            }
            map
        };
        let path: Uri = "/v1/run".parse().unwrap();
        let absolute: Uri = "http://evil.example/v1/run".parse().unwrap();
        assert!(is_loopback(&path, &headers(&["127.0.0.1:9741"])));
        assert!(is_loopback(&path, &headers(&[])));
        assert!(!is_loopback(&path, &headers(&["localhost", "evil.example"])));
        assert!(!is_loopback(&absolute, &headers(&["localhost"])));
    }
}
