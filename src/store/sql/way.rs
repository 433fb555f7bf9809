//! The way to a database server: plain on this machine, encrypted to any other.

use super::{Address, Result, SqlError};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use rustls_platform_verifier::BuilderVerifierExt;
use std::net::IpAddr;
use std::path::Path;
use std::sync::Arc;
use tokio_postgres::Config;
use tokio_postgres::config::{Host, SslMode};
use tokio_postgres_rustls::MakeRustlsConnect;

/// Settles whether the way is encrypted, where the address does not say so: to another machine it is.
/// The driver's own default would take the way as it is wherever the server offers no better. A socket
/// is never encrypted, whatever is asked for, as with PostgreSQL's own tools.
pub(super) fn settle(config: &mut Config) {
    let is_socket = |host: &Host| matches!(host, Host::Unix(_));
    if config.get_hostaddrs().is_empty() && config.get_hosts().iter().all(is_socket) {
        config.ssl_mode(SslMode::Disable);
    } else if config.get_ssl_mode() == SslMode::Prefer {
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

/// The certificates of a PEM file.
pub(super) fn roots(file: &Path) -> std::result::Result<RootCertStore, String> {
    let mut roots = RootCertStore::empty();
    let certificates = CertificateDer::pem_file_iter(file).map_err(|error| error.to_string())?;
    for certificate in certificates {
        let certificate = certificate.map_err(|error| error.to_string())?;
        roots.add(certificate).map_err(|error| error.to_string())?;
    }
    if roots.is_empty() { Err("no certificate stands there".into()) } else { Ok(roots) }
}

/// What encrypts it. The server's certificate is held to those that this machine trusts, or that the
/// address names instead, and to the server's name in the address.
pub(in crate::store) fn encryption(
    address: &Address,
    config: &Config,
) -> Result<MakeRustlsConnect> {
    let none = |error: rustls::Error| SqlError::NoConnection(error.to_string());
    let unnamed = |error: rustls::Error| {
        let words = "name the certificates to trust by sslrootcert=FILE in the address";
        SqlError::NoConnection(format!("{error}; {words}"))
    };
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let client = ClientConfig::builder_with_provider(provider);
    let client = client.with_safe_default_protocol_versions().map_err(none)?;
    let roots = address.roots().map_err(|error| SqlError::NoConnection(error.to_string()))?;
    let client = match (config.get_ssl_mode(), roots) {
        (SslMode::Disable, _) => client.with_root_certificates(RootCertStore::empty()),
        (_, Some(roots)) => client.with_root_certificates(roots),
        (_, None) => client.with_platform_verifier().map_err(unnamed)?,
    };
    Ok(MakeRustlsConnect::new(client.with_no_client_auth()))
}

/// What to do about a way that cannot be taken, to follow what the driver said of it.
pub(super) fn advice(said: &str) -> &'static str {
    if said.contains("does not support TLS") {
        "; turn TLS on at the server, or write sslmode=disable in the address where the way to it is \
         safe"
    } else if said.contains("invalid peer certificate") {
        "; sslrootcert=FILE in the address names the certificates to trust instead of this \
         machine's, and the address must name the server as its certificate does"
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
            ("postgres://h@/db?host=/run/postgresql&sslmode=require", SslMode::Disable),
            ("postgres://h@localhost/db?host=/run/postgresql", SslMode::Disable),
            ("postgres://h@db.example/db?host=/run/postgresql", SslMode::Require),
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
