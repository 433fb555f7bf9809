//! The grove that a question is about, and who asks.

use super::caller::Caller;
use super::fault::Fault;
use super::sent::Takes;
use super::server::{Effort, Kept, Server};
use crate::app::desk::{Desk, DeskError};
use crate::pages::site::{Place, Tab};
use crate::store::home::Home;
use axum::extract::{FromRef, FromRequestParts, Path};
use axum::http::request::Parts;
use axum::response::IntoResponse;
use axum::response::Response;
use chrono::{DateTime, Utc};
use std::collections::HashMap;
use std::sync::Arc;

/// The grove named in the address, at this service, for this caller.
#[derive(Debug, Clone)]
pub struct Here {
    /// The service.
    pub server: Arc<Server>,
    /// The grove.
    pub kept: Arc<Kept>,
    /// Who asks.
    pub caller: Caller,
    /// In US customary units?
    pub customary: bool,
    effort: Effort,
    takes: Takes,
}

impl Here {
    /// The same place for a question that takes long: one of its kind at a time.
    pub fn at_length(&self) -> Self {
        Self { effort: Effort::Long, ..self.clone() }
    }

    /// An answer from the grove's desk, kept for as long as nothing changes; `asked` tells the
    /// question from others of the same kind.
    ///
    /// # Errors
    /// [`Fault`] of the use case.
    pub async fn answer<T: Send + Sync + 'static>(
        &self,
        asked: &str,
        ask: impl FnOnce(&Desk) -> Result<T, DeskError> + Send + 'static,
    ) -> Result<Arc<T>, Fault> {
        self.server.answer(&self.kept, self.effort, asked, ask).await
    }

    /// The page of a screen that shows an answer from the grove's desk, kept as it is sent.
    ///
    /// # Errors
    /// [`Fault`] of the use case.
    pub async fn page<T: Send + Sync + 'static>(
        &self,
        tab: Tab,
        asked: &str,
        ask: impl FnOnce(&Desk) -> Result<T, DeskError> + Send + 'static,
        write: impl FnOnce(&Place, &T) -> String + Send + 'static,
    ) -> Result<Response, Fault> {
        let place = self.place(tab).await?;
        let page = self.server.page(&self.kept, self.effort, (asked, &place), ask, write);
        Ok(page.await?.reply(&self.takes))
    }

    /// An answer from the grove's desk that is not kept: the question is too long to be told from
    /// others.
    ///
    /// # Errors
    /// [`Fault`] of the use case.
    pub async fn ask<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&Desk) -> Result<T, DeskError> + Send + 'static,
    ) -> Result<T, Fault> {
        self.server.ask(&self.kept, self.effort, ask).await
    }

    /// Writes to the grove and tells those who listen; `now` is the grove's clock.
    ///
    /// # Errors
    /// [`Fault`]; nothing was written then.
    pub async fn write<T: Send + 'static, E: Send + 'static>(
        &self,
        write: impl FnOnce(&Home, DateTime<Utc>) -> Result<T, E> + Send + 'static,
    ) -> Result<T, Fault>
    where
        Fault: From<E>,
    {
        self.server.write(&self.kept, self.effort, write).await
    }

    /// Where a page of this grove stands; the desk tells the grove's name.
    ///
    /// # Errors
    /// [`Fault`] where the grove cannot be read.
    pub async fn place(&self, tab: Tab) -> Result<Place, Fault> {
        let grove = self.server.name(&self.kept).await?;
        Ok(Place {
            base: format!("/g/{}", self.kept.id),
            grove,
            is_demo: self.kept.is_demo(),
            tab,
            person: self.caller.name.clone(),
            may_log: self.caller.require(super::caller::Role::Crew).is_ok()
                && !self.kept.home.is_demo(),
            may_manage: self.caller.require(super::caller::Role::Manager).is_ok()
                && !self.kept.home.is_demo(),
            csrf: self.caller.csrf.clone(),
            offline: self.server.settings.is_secure(),
            customary: self.customary,
        })
    }
}

impl<S> FromRequestParts<S> for Here
where
    S: Send + Sync,
    Arc<Server>: FromRef<S>,
{
    type Rejection = Response;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Response> {
        let server = Arc::<Server>::from_ref(state);
        let path = Path::<HashMap<String, String>>::from_request_parts(parts, state).await;
        let Path(path) = path.map_err(IntoResponse::into_response)?;
        let id = path.get("grove").map(String::as_str).unwrap_or_default();
        let kept = server
            .kept(id)
            .ok_or_else(|| Fault::not_found(format!("no grove '{id}' is kept here")))
            .map_err(IntoResponse::into_response)?;
        let Ok(caller) = Caller::from_request_parts(parts, state).await;
        let customary = wants_customary(parts);
        Ok(Self {
            server,
            kept,
            caller,
            customary,
            effort: Effort::Short,
            takes: Takes::of(&parts.headers),
        })
    }
}

/// The units that the reader chose, kept by their browser.
fn wants_customary(parts: &Parts) -> bool {
    let cookies = parts.headers.get_all(axum::http::header::COOKIE).into_iter();
    cookies
        .filter_map(|cookies| cookies.to_str().ok())
        .flat_map(|cookies| cookies.split(';'))
        .any(|cookie| cookie.trim() == "units=us")
}
