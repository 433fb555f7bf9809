//! Who may come in: passwords, secrets, people and the tokens of their programs.

use crate::store::office::{Lives, Office, OfficeError, Person, Role, SecretHash};
use crate::text::hex;
use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Algorithm, Argon2, Params, Version};
use chrono::{DateTime, Duration, Utc};
use sha2::{Digest, Sha256};
use std::fmt;
use std::sync::LazyLock;

/// Fewest characters of a password. Common practice, no source.
pub const LEAST_PASSWORD: usize = 10;
/// Most bytes of a password: more would only be work.
pub const MOST_PASSWORD_BYTES: usize = 1_024;

/// How long a session lives: a phone in the grove may be without signal for days, and what was
/// typed on it is to be sent without a new log-in.
pub const LIVES: Lives = Lives { at_most: Duration::days(30), idle: Duration::days(7) };

/// Cost of a password's hash: Argon2id with 19 MiB, 2 passes, 1 lane, the least that OWASP's
/// Password Storage Cheat Sheet asks for (as its summary is quoted in 2023), and one of the crate's
/// defaults.
const COST: Result<Params, argon2::Error> = Params::new(19 * 1_024, 2, 1, None);

/// What no log-in matches: a name that is nobody's takes as much work as one that is somebody's.
static NOBODYS: LazyLock<Option<String>> = LazyLock::new(|| {
    let secret = Secret::fresh("").ok()?;
    hashed(secret.text()).ok()
});

/// Why somebody or something cannot be let in or added.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum AccessError {
    #[error(transparent)]
    Office(#[from] OfficeError),
    #[error("a password has at least {LEAST_PASSWORD} characters; this one has {length}")]
    Short { length: usize },
    #[error("a password has at most {MOST_PASSWORD_BYTES} bytes; this one has {bytes}")]
    Long { bytes: usize },
    #[error("the password is the name: choose another one")]
    IsTheName,
    #[error("the machine gives no random numbers ({0}), so nothing secret can be made")]
    Random(getrandom::Error),
    #[error("the password cannot be hashed: {0}")]
    Hash(String),
}

/// 256 random bits that open something; shown once, never kept.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str("Secret(..)")
    }
}

impl Secret {
    /// A new one, with a mark before it that tells what it is for.
    ///
    /// # Errors
    /// [`AccessError::Random`] where the machine has no random numbers.
    pub fn fresh(mark: &str) -> Result<Self, AccessError> {
        let mut bits = [0_u8; 32];
        getrandom::fill(&mut bits).map_err(AccessError::Random)?;
        Ok(Self(mark.to_owned() + &hex(&bits)))
    }

    /// As it was sent.
    pub fn sent(text: &str) -> Self {
        Self(text.to_owned())
    }

    /// Its letters.
    pub fn text(&self) -> &str {
        &self.0
    }

    /// What is kept of it. 256 random bits cannot be guessed at, so one round is enough.
    pub fn hash(&self) -> SecretHash {
        Sha256::digest(self.0.as_bytes()).into()
    }

    /// Another secret that follows from it and does not tell it.
    #[must_use]
    pub fn derived(&self, what_for: &str) -> String {
        hex(&Sha256::digest(format!("{what_for}:{}", self.0)))
    }
}

/// Are two texts the same? The time taken tells nothing of where they differ.
pub fn same_text(one: &str, other: &str) -> bool {
    Sha256::digest(one.as_bytes()) == Sha256::digest(other.as_bytes())
}

fn hashed(password: &str) -> Result<String, AccessError> {
    let told = |error: &dyn fmt::Display| AccessError::Hash(error.to_string());
    let cost = COST.map_err(|error| told(&error))?;
    let hasher = Argon2::new(Algorithm::Argon2id, Version::V0x13, cost);
    let hash: PasswordHash =
        hasher.hash_password(password.as_bytes()).map_err(|error| told(&error))?;
    Ok(hash.to_string())
}

fn is_password_of(hash: &str, password: &str) -> bool {
    let Ok(hash) = PasswordHash::new(hash) else { return false };
    Argon2::default().verify_password(password.as_bytes(), &hash).is_ok()
}

/// The hash of a password that is good enough for somebody.
///
/// # Errors
/// [`AccessError`] for one that is short, long, or the name itself.
pub fn hash_password(name: &str, password: &str) -> Result<String, AccessError> {
    let length = password.chars().count();
    if length < LEAST_PASSWORD {
        return Err(AccessError::Short { length });
    }
    if password.len() > MOST_PASSWORD_BYTES {
        return Err(AccessError::Long { bytes: password.len() });
    }
    if password.to_lowercase() == name.trim().to_lowercase() {
        return Err(AccessError::IsTheName);
    }
    hashed(password)
}

/// Adds somebody.
///
/// # Errors
/// [`AccessError`] for a name or password that will not do.
pub fn add_person(
    office: &Office,
    (name, role): (&str, Role),
    password: &str,
    now: DateTime<Utc>,
) -> Result<Person, AccessError> {
    let hash = hash_password(name, password)?;
    Ok(office.add_person(name, role, &hash, now)?)
}

/// Gives somebody another password; their sessions end.
///
/// # Errors
/// [`AccessError`] where nobody is called so, or the password will not do.
pub fn change_password(office: &Office, name: &str, password: &str) -> Result<(), AccessError> {
    let hash = hash_password(name, password)?;
    Ok(office.change_password(name, &hash)?)
}

/// Logs somebody in: the person and a new session's secret. None for a name that is nobody's, a
/// wrong password and a disabled person, all after the same work.
///
/// # Errors
/// [`AccessError`] where the office cannot be read or written.
pub fn log_in(
    office: &Office,
    name: &str,
    password: &str,
    now: DateTime<Utc>,
) -> Result<Option<(Person, Secret)>, AccessError> {
    let found = office.with_password(name)?;
    let nobodys = NOBODYS.as_deref().unwrap_or_default();
    let hash = found.as_ref().map_or(nobodys, |(_, hash)| hash);
    let is_right = password.len() <= MOST_PASSWORD_BYTES && is_password_of(hash, password);
    let Some((person, _)) = found.filter(|(person, _)| is_right && !person.disabled) else {
        return Ok(None);
    };
    let secret = Secret::fresh("")?;
    office.open_session(&person, &secret.hash(), LIVES, now)?;
    Ok(Some((person, secret)))
}

/// Makes a token; its secret is told this once.
///
/// # Errors
/// [`AccessError`] as [`Office::add_token`].
pub fn add_token(
    office: &Office,
    (name, role): (&str, Role),
    of: &str,
    now: DateTime<Utc>,
) -> Result<Secret, AccessError> {
    let secret = Secret::fresh("xylocast_")?;
    office.add_token(name, role, of, &secret.hash(), now)?;
    Ok(secret)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Instant;

    fn office() -> Office {
        let office = Office::fleeting().unwrap();
        add_person(&office, ("Ada", Role::Manager), "correct horse", Utc::now()).unwrap();
        office
    }

    /// OWASP Password Storage Cheat Sheet: Argon2id, 19 MiB, 2 iterations, 1 degree of parallelism.
    #[test]
    fn the_hash_says_its_cost_and_no_two_are_alike() {
        let one = hash_password("Ada", "correct horse").unwrap();
        assert!(one.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{one}");
        assert_ne!(one, hash_password("Ada", "correct horse").unwrap());
        assert!(is_password_of(&one, "correct horse") && !is_password_of(&one, "correct horse "));
    }

    /// Made by argon2-cffi 25.1.0, which wraps the reference implementation in C: `hash_secret(
    /// b"correct horse", b"sixteen bytes !!", time_cost=2, memory_cost=19456, parallelism=1,
    /// hash_len=32, type=Type.ID)`.
    #[test]
    fn another_implementations_hash_is_understood() {
        let theirs = "$argon2id$v=19$m=19456,t=2,p=1$c2l4dGVlbiBieXRlcyAhIQ\
                      $ck4NFaY9xehOGKJN7gFhzT78Ze/luKWcd5phRGvLQq0";
        assert!(is_password_of(theirs, "correct horse"));
        assert!(!is_password_of(theirs, "correct horsf"));
    }

    #[test]
    fn poor_passwords_are_refused_in_words_that_do_not_repeat_them() {
        let words =
            |password: &str| hash_password("Adalbertina", password).unwrap_err().to_string();
        assert!(words("hunter2").contains("at least 10") && !words("hunter2").contains("hunter"));
        assert!(words("adalbertina").contains("is the name"));
        assert!(words(&"x".repeat(2_000)).contains("at most"));
        assert!(hash_password("x", "ÄÖÜäöüßñçé").is_ok(), "characters are counted, not bytes");
    }

    #[test]
    fn only_the_right_password_of_somebody_let_in_opens() {
        let office = office();
        let opens = |name: &str, password: &str| {
            log_in(&office, name, password, Utc::now()).unwrap().map(|(person, _)| person.name)
        };
        assert_eq!(opens("ada", "correct horse").as_deref(), Some("Ada"));
        for (name, password) in
            [("Ada", "correct horsE"), ("Ada", ""), ("Bo", "correct horse"), ("", "")]
        {
            assert_eq!(opens(name, password), None, "{name} {password}");
        }
        add_person(&office, ("Bo", Role::Crew), "correct horse", Utc::now()).unwrap();
        office.disable("Bo", true).unwrap();
        assert_eq!(opens("Bo", "correct horse"), None);
    }

    /// An unknown name costs a hash too: the fastest of a few tries in turn, against noise.
    #[test]
    fn a_name_that_is_nobodys_takes_as_much_work() {
        let office = office();
        let took = |name: &str| {
            let from = Instant::now();
            log_in(&office, name, "not this one", Utc::now()).unwrap();
            from.elapsed().as_secs_f64()
        };
        let tries = (0..10).map(|_| (took("Ada"), took("Nobody at all")));
        let (known, unknown) = tries
            .reduce(|least, one| (least.0.min(one.0), least.1.min(one.1)))
            .expect("some tries");
        assert!(unknown > known / 3.0 && known > unknown / 3.0, "{known} s and {unknown} s");
    }

    #[test]
    fn secrets_are_long_and_do_not_show() {
        let (one, two) = (Secret::fresh("x_").unwrap(), Secret::fresh("x_").unwrap());
        assert_ne!(one, two);
        assert_eq!(one.text().len(), 2 + 64);
        assert_eq!(format!("{one:?}"), "Secret(..)");
        assert_ne!(one.derived("csrf"), two.derived("csrf"));
        assert!(!one.derived("csrf").contains(one.text()));
        assert!(same_text("ab", "ab") && !same_text("ab", "abc"));
    }
}
