//! Names under which the service answers. Another name in `Host` is a stranger's page that has
//! bound its own name to this machine's address (DNS rebinding) to read and write here.

use super::is_wide;
use crate::http::settings::Settings;
use axum::http::{HeaderMap, Uri, header};
use std::net::IpAddr;

/// Names that are answered to.
#[derive(Debug)]
pub(super) struct Hosts {
    declared: Vec<String>,
    /// A stranger's name is never an address, so any will do where others may come.
    any_address: bool,
}

impl Hosts {
    pub(super) fn of(settings: &Settings) -> Self {
        let declared = settings.hosts.iter().map(|host| plain(host).to_lowercase()).collect();
        Self { declared, any_address: is_wide(settings) }
    }

    /// Does the service answer to an authority, `name` or `name:port`?
    pub(super) fn answers(&self, authority: &str) -> bool {
        let name = plain(authority).to_lowercase();
        let name = name.strip_suffix('.').unwrap_or(&name);
        match name.parse::<IpAddr>() {
            Ok(address) => address.is_loopback() || self.any_address || self.is_declared(name),
            Err(_) => name == "localhost" || self.is_declared(name),
        }
    }

    fn is_declared(&self, name: &str) -> bool {
        self.declared.iter().any(|declared| declared == name)
    }
}

/// The authority that was asked; none where a program gave none, which no browser does.
pub(super) fn asked<'r>(headers: &'r HeaderMap, uri: &'r Uri) -> Option<&'r str> {
    let header = headers.get(header::HOST);
    // Bytes that are no text are no name of ours.
    let header = header.map(|host| host.to_str().unwrap_or("\u{fffd}"));
    header.or_else(|| uri.authority().map(|authority| authority.as_str()))
}

/// Without the port and without an IPv6 address's brackets.
fn plain(authority: &str) -> &str {
    if let Some(rest) = authority.strip_prefix('[') {
        return rest.split_once(']').map_or(authority, |(address, _)| address);
    }
    match authority.split_once(':') {
        Some((name, port)) if !port.contains(':') => name,
        _ => authority,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hosts(declared: &[&str], any_address: bool) -> Hosts {
        Hosts { declared: declared.iter().map(|host| (*host).to_owned()).collect(), any_address }
    }

    #[test]
    fn strangers_names_are_not_ours() {
        let alone = hosts(&["grove.example"], false);
        for ours in [
            "localhost",
            "localhost:8080",
            "LOCALHOST",
            "localhost.",
            "127.0.0.1:8080",
            "127.9.9.9",
            "[::1]:8080",
            "::1",
            "grove.example",
            "Grove.Example:443",
        ] {
            assert!(alone.answers(ours), "{ours}");
        }
        for theirs in [
            "evil.example",
            "evil.example:8080",
            "localhost.evil.example",
            "127.0.0.1.evil.example",
            "192.168.1.5",
            "0.0.0.0",
            "",
            "[::1",
            "x.grove.example",
            "\u{fffd}",
            "1",
            "user@localhost",
        ] {
            assert!(!alone.answers(theirs), "{theirs}");
        }
        let wide = hosts(&[], true);
        assert!(wide.answers("192.168.1.5:8443") && wide.answers("[fe80::1]"));
        assert!(!wide.answers("evil.example"));
    }
}
