//! How the service runs: flags, environment and a file, in this order of weight.

use crate::store::sql::Address;
use chrono::{DateTime, Utc};
use clap::Args;
use serde::Deserialize;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

/// The settings as they can be typed, all alike in three places: a flag, an environment variable, a
/// key of the file that `--settings` names (with `_` for `-`).
#[derive(Debug, Clone, Default, Args, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Typed {
    /// Address to listen on [default: 127.0.0.1:8080]
    #[arg(long, value_name = "ADDRESS:PORT", env = "XYLOCAST_LISTEN")]
    pub listen: Option<SocketAddr>,
    /// Folder where the service keeps its groves and people, or the address of a PostgreSQL server
    /// (postgres://USER@HOST/DATABASE), which several processes may share
    #[arg(long, value_name = "FOLDER|ADDRESS", env = "XYLOCAST_DATA")]
    pub data: Option<PathBuf>,
    /// Pull weather for the groves every hour [default: true]
    #[arg(long, value_name = "true|false", env = "XYLOCAST_PULL")]
    pub pull: Option<bool>,
    /// PEM file of the certificate chain; answers over HTTPS
    #[arg(long, value_name = "FILE", env = "XYLOCAST_TLS_CERT")]
    pub tls_cert: Option<PathBuf>,
    /// PEM file of the certificate's private key
    #[arg(long, value_name = "FILE", env = "XYLOCAST_TLS_KEY")]
    pub tls_key: Option<PathBuf>,
    /// A proxy in front answers over HTTPS [default: false]
    #[arg(long, value_name = "true|false", num_args = 0..=1, default_missing_value = "true",
        env = "XYLOCAST_BEHIND_HTTPS_PROXY")]
    pub behind_https_proxy: Option<bool>,
    /// Names under which the service is reached, beside loopback names
    #[arg(long, value_name = "NAME", value_delimiter = ',', env = "XYLOCAST_HOSTS")]
    pub hosts: Option<Vec<String>>,
    /// Form of the log: text or json [default: text]
    #[arg(long, value_name = "text|json", env = "XYLOCAST_LOG_FORM")]
    pub log_form: Option<LogForm>,
    /// Least level that is logged: error, warn, info, debug [default: info]
    #[arg(long, value_name = "LEVEL", env = "XYLOCAST_LOG_LEVEL")]
    pub log_level: Option<LogLevel>,
}

/// Form of the log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
pub enum LogForm {
    /// For people.
    #[default]
    Text,
    /// For machines, an object a line.
    Json,
}

/// Least level that is logged.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "lowercase")]
#[expect(missing_docs, reason = "the levels are those of every log")]
pub enum LogLevel {
    Error,
    Warn,
    #[default]
    Info,
    Debug,
}

/// Files of HTTPS.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Tls {
    /// Certificate chain, PEM.
    pub cert: PathBuf,
    /// Private key, PEM.
    pub key: PathBuf,
}

/// The settings as they hold.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Where to listen.
    pub listen: SocketAddr,
    /// Where groves and people are kept, a folder or a server; nowhere where none is named.
    pub data: Option<PathBuf>,
    /// One grove to serve as it lies.
    pub grove: Option<PathBuf>,
    /// The clock starts at this instant instead of now; no weather is pulled then.
    pub as_of: Option<DateTime<Utc>>,
    /// Pull weather by itself?
    pub pull: bool,
    /// HTTPS.
    pub tls: Option<Tls>,
    /// Does a proxy in front answer over HTTPS?
    pub behind_https_proxy: bool,
    /// Names under which the service is reached, beside loopback names.
    pub hosts: Vec<String>,
    /// Form of the log.
    pub log_form: LogForm,
    /// Least level that is logged.
    pub log_level: LogLevel,
}

/// Why the settings do not hold.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum SettingsError {
    #[error("{}: {error}", path.display())]
    Unread { path: PathBuf, error: std::io::Error },
    #[error("{}: {error}", path.display())]
    Form { path: PathBuf, error: Box<toml::de::Error> },
    #[error("HTTPS needs both --tls-cert and --tls-key: only one was given")]
    HalfTls,
    #[error("--grove serves one grove as it lies, --data a folder of groves: name one of the two")]
    TwoHomes,
}

impl Typed {
    /// Reads a file of settings.
    ///
    /// # Errors
    /// [`SettingsError`] where it cannot be read or has a key that is none.
    pub fn read(path: &Path) -> Result<Self, SettingsError> {
        let text = std::fs::read_to_string(path)
            .map_err(|error| SettingsError::Unread { path: path.into(), error })?;
        Self::of(path, &text)
    }

    /// Reads the text of such a file, which is called `path` where it is flawed.
    ///
    /// # Errors
    /// [`SettingsError::Form`].
    pub fn of(path: &Path, text: &str) -> Result<Self, SettingsError> {
        toml::from_str(text)
            .map_err(|error| SettingsError::Form { path: path.into(), error: Box::new(error) })
    }

    /// What was typed here, and under it the file's.
    #[must_use]
    pub fn over(self, file: Self) -> Self {
        Self {
            listen: self.listen.or(file.listen),
            data: self.data.or(file.data),
            pull: self.pull.or(file.pull),
            tls_cert: self.tls_cert.or(file.tls_cert),
            tls_key: self.tls_key.or(file.tls_key),
            behind_https_proxy: self.behind_https_proxy.or(file.behind_https_proxy),
            hosts: self.hosts.or(file.hosts),
            log_form: self.log_form.or(file.log_form),
            log_level: self.log_level.or(file.log_level),
        }
    }

    /// The settings that hold, defaults filled in.
    ///
    /// # Errors
    /// [`SettingsError`] where two of them cannot go together.
    pub fn settled(
        self,
        grove: Option<PathBuf>,
        as_of: Option<DateTime<Utc>>,
    ) -> Result<Settings, SettingsError> {
        let tls = match (self.tls_cert, self.tls_key) {
            (Some(cert), Some(key)) => Some(Tls { cert, key }),
            (None, None) => None,
            _ => return Err(SettingsError::HalfTls),
        };
        if grove.is_some() && self.data.is_some() {
            return Err(SettingsError::TwoHomes);
        }
        let ordinary = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), 8080);
        Ok(Settings {
            listen: self.listen.unwrap_or(ordinary),
            data: self.data,
            grove,
            as_of,
            pull: self.pull.unwrap_or(true) && as_of.is_none(),
            tls,
            behind_https_proxy: self.behind_https_proxy.unwrap_or(false),
            hosts: self.hosts.unwrap_or_default(),
            log_form: self.log_form.unwrap_or_default(),
            log_level: self.log_level.unwrap_or_default(),
        })
    }
}

impl Settings {
    /// The server that groves and people are kept at, which other processes may share; none where
    /// they are kept in a folder.
    pub fn shared(&self) -> Option<Address> {
        let data = self.data.as_deref().filter(|data| Address::is_one(data));
        data.and_then(|data| data.try_into().ok())
    }

    /// Can a phone keep pages, tell its position and hold secure cookies? Over HTTPS, or on the
    /// machine itself.
    pub fn is_secure(&self) -> bool {
        self.tls.is_some() || self.behind_https_proxy || self.listen.ip().is_loopback()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_file_holds_and_a_flag_goes_before_it() {
        let file = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/examples/run/serve.toml"));
        let flag = Typed { log_form: Some(LogForm::Text), ..Typed::default() };
        let settings = flag.over(Typed::read(file).unwrap()).settled(None, None).unwrap();
        assert_eq!(settings.log_form, LogForm::Text);
        assert_eq!(settings.listen.port(), 8443);
        assert!(settings.tls.is_some() && settings.pull && settings.is_secure());
    }

    #[test]
    fn what_cannot_go_together_is_refused() {
        let half = Typed { tls_cert: Some("cert.pem".into()), ..Typed::default() };
        assert!(matches!(half.settled(None, None), Err(SettingsError::HalfTls)));
        let two = Typed { data: Some("groves".into()), ..Typed::default() };
        let settled = two.settled(Some("grove.db".into()), None);
        assert!(matches!(settled, Err(SettingsError::TwoHomes)));
        let unknown: Result<Typed, _> = toml::from_str("listn = \"127.0.0.1:1\"");
        assert!(unknown.unwrap_err().to_string().contains("listn"));
    }
}
