//! The way to a database server: plain on this machine, encrypted to any other.

use super::{Result, SqlError};
use rustls::{ClientConfig, RootCertStore};
use rustls_platform_verifier::BuilderVerifierExt;
use std::net::IpAddr;
use std::sync::Arc;
use tokio_postgres::Config;
use tokio_postgres::config::{Host, SslMode};
use tokio_postgres_rustls::MakeRustlsConnect;

/// Settles whether the way is encrypted, where the address does not say so: to another machine it is.
/// The driver's own default would take the way as it is wherever the server offers no better.
pub(super) fn settle(config: &mut Config) {
    if config.get_ssl_mode() == SslMode::Prefer {
        let mode = if is_on_this_machine(config) { SslMode::Disable } else { SslMode::Require };
        config.ssl_mode(mode);
    }
}

fn is_on_this_machine(config: &Config) -> bool {
    let is_near = |host: &Host| match host {
        Host::Tcp(name) => {
            name == "localhost" || name.parse().is_ok_and(|at: IpAddr| at.is_loopback())
        }
        Host::Unix(_) => true,
    };
    config.get_hosts().iter().all(is_near) && config.get_hostaddrs().iter().all(IpAddr::is_loopback)
}

/// What encrypts it. The server's certificate is held to those that this machine trusts, or that
/// `SSL_CERT_FILE` names, and to the server's name in the address.
pub(in crate::store) fn encryption(config: &Config) -> Result<MakeRustlsConnect> {
    let none = |error: rustls::Error| SqlError::NoConnection(error.to_string());
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let client = ClientConfig::builder_with_provider(provider);
    let client = client.with_safe_default_protocol_versions().map_err(none)?;
    let client = match config.get_ssl_mode() {
        SslMode::Disable => client.with_root_certificates(RootCertStore::empty()),
        _ => client.with_platform_verifier().map_err(none)?,
    };
    Ok(MakeRustlsConnect::new(client.with_no_client_auth()))
}

/// What to do about a way that cannot be taken, to follow what the driver said of it.
pub(super) fn advice(said: &str) -> &'static str {
    if said.contains("does not support TLS") {
        "; turn TLS on at the server, or write sslmode=disable in the address where the way to it is \
         safe"
    } else if said.contains("invalid peer certificate") {
        "; SSL_CERT_FILE names the certificates to trust instead of this machine's, and the address \
         must name the server as its certificate does"
    } else {
        ""
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_way_to_another_machine_is_encrypted_unless_it_is_said() {
        for (address, mode) in [
            ("postgres://h@/db?host=/run/postgresql", SslMode::Disable),
            ("postgres://h@localhost/db", SslMode::Disable),
            ("postgres://h@127.0.0.1/db?sslmode=prefer", SslMode::Disable),
            ("postgres://h@[::1]/db", SslMode::Disable),
            ("postgres://h@localhost/db?sslmode=require", SslMode::Require),
            ("postgres://h@db.example/db", SslMode::Require),
            ("postgres://h@localhost,db.example/db", SslMode::Require),
            ("postgres://h@localhost/db?hostaddr=192.0.2.1", SslMode::Require),
            ("postgres://h@db.example/db?sslmode=prefer", SslMode::Require),
            ("postgres://h@db.example/db?sslmode=disable", SslMode::Disable),
        ] {
            let mut config: Config = address.parse().unwrap();
            settle(&mut config);
            assert_eq!(config.get_ssl_mode(), mode, "{address}");
        }
    }
}
