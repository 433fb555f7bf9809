//! The service's groves, its clock, and the desks that it keeps laid.
//!
//! Laying a desk costs a tenth of a second, a question at a laid one much less. So a desk stays laid
//! until the grove changes, by whatever hand, or the clock has gone on for a minute; answers stay
//! with the desk that gave them.

use super::access::Access;
use super::caller::{Caller, Role};
use super::fault::Fault;
use super::sent::SentPage;
use super::settings::Settings;
use crate::app::desk::{Desk, DeskError, Request};
use crate::app::founding;
use crate::pages::site::Place;
use crate::store::db::{groves_at, watch};
use crate::store::demo;
use crate::store::home::{Home, Stamp};
use crate::store::sql::Address;
use chrono::{DateTime, TimeDelta, Utc};
use std::any::{Any, type_name};
use std::collections::{BTreeMap, HashMap, VecDeque};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, RwLock};
use std::thread::available_parallelism;
use std::time::Instant;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, broadcast, watch};
use tokio::task::JoinHandle;

/// Id of the embedded demo.
pub const DEMO: &str = "demo";
/// The service's own database in its data folder, which is no grove.
pub const OFFICE: &str = "office.db";
/// A desk is used for so long while nothing changes.
const FRESH: TimeDelta = TimeDelta::seconds(60);
/// Answers kept with one desk; beyond them all are forgotten.
const MOST_ANSWERS: usize = 256;
/// Pages kept with one desk as they are sent, those made last.
const MOST_PAGES: usize = 4;
/// Changes that a listener may be behind.
const CHANGES: usize = 64;

/// Something was written to a grove.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Changed {
    /// Id of the grove.
    pub grove: String,
}

/// What is asked: the kind of its answer, and words that tell it from others of the kind.
type Question = (&'static str, String);
type Answer = Arc<dyn Any + Send + Sync>;

/// How much work a question is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Effort {
    /// Well under a second.
    Short,
    /// Seconds or more: plans, refits, walks through the draws.
    Long,
}

/// A desk as it lies, with what it has answered.
struct Laid {
    desk: Desk,
    stamp: Stamp,
    at: DateTime<Utc>,
    answers: Mutex<HashMap<Question, Arc<Asked>>>,
    pages: Mutex<VecDeque<Shown>>,
}

/// What was asked of a desk.
#[derive(Default)]
struct Asked {
    answer: OnceLock<Answer>,
    /// One has it worked out, the others wait.
    turn: tokio::sync::Mutex<()>,
}

/// A page as it was sent to those at a place.
type Shown = ((Question, Place), Arc<SentPage>);

/// Turns at work, until they are dropped.
type Turns = (Option<OwnedSemaphorePermit>, OwnedSemaphorePermit);

impl Laid {
    /// What was asked before in the same words, or is now.
    fn asked(&self, question: Question) -> Arc<Asked> {
        let mut answers = self.answers.lock().unwrap_or_else(PoisonError::into_inner);
        if answers.len() >= MOST_ANSWERS && !answers.contains_key(&question) {
            answers.clear();
        }
        answers.entry(question).or_default().clone()
    }
}

/// A grove that the service keeps.
pub struct Kept {
    /// Its id in addresses.
    pub id: String,
    /// Where it is kept.
    pub home: Home,
    /// Its clock against the service's: the demo's copy lives in its own day.
    pub shift: TimeDelta,
    laid: RwLock<Option<Arc<Laid>>>,
    /// One lays the desk, the others wait for it.
    turn: tokio::sync::Mutex<()>,
    /// When it was last asked for, Unix seconds.
    asked: AtomicI64,
}

impl std::fmt::Debug for Kept {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Kept").field("id", &self.id).field("home", &self.home).finish()
    }
}

impl Kept {
    /// A grove by its id.
    pub fn new(id: &str, home: Home, shift: TimeDelta) -> Self {
        Self {
            id: id.to_owned(),
            home,
            shift,
            laid: RwLock::new(None),
            turn: tokio::sync::Mutex::new(()),
            asked: AtomicI64::new(0),
        }
    }

    /// The demo, or a copy that lives in the demo's days?
    pub fn is_demo(&self) -> bool {
        self.home.is_demo() || !self.shift.is_zero()
    }

    fn lying(&self) -> Option<Arc<Laid>> {
        self.laid.read().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// The service.
pub struct Server {
    /// How it runs.
    pub settings: Settings,
    /// Who comes in.
    pub access: Access,
    kept: RwLock<BTreeMap<String, Arc<Kept>>>,
    /// From the machine's clock to the service's.
    shift: TimeDelta,
    changes: broadcast::Sender<Changed>,
    stopping: watch::Sender<bool>,
    /// One piece of work for each core, two at least; more would only wait for each other.
    work: Arc<Semaphore>,
    /// Of the long ones one at a time, so that short ones find a core.
    long_work: Arc<Semaphore>,
    /// What is counted for the metrics.
    pub counts: super::ops::Counts,
}

impl std::fmt::Debug for Server {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Server").field("settings", &self.settings).finish_non_exhaustive()
    }
}

impl Server {
    /// The service with the groves that its settings name; without any, the demo.
    ///
    /// # Errors
    /// [`DeskError::File`] where the data folder cannot be read or made.
    pub fn open(settings: Settings) -> Result<Self, DeskError> {
        let now = Utc::now();
        let shift = settings.as_of.map_or(TimeDelta::zero(), |as_of| as_of - now);
        let access =
            Access::open(&settings).map_err(|error| DeskError::Unanswerable(error.to_string()))?;
        let known = access.office.groves();
        let known = known.map_err(|error| DeskError::Unanswerable(error.to_string()))?;
        let shift_of = |id: &str| {
            let kept = known.iter().find(|kept| kept.grove == id);
            kept.map_or(TimeDelta::zero(), |kept| kept.clock_offset)
        };
        let mut kept = BTreeMap::new();
        let mut keep = |one: Kept| kept.insert(one.id.clone(), Arc::new(one));
        match (&settings.grove, &settings.data) {
            (Some(path), _) => {
                keep(Kept::new(&id_of(path), Home::of(Some(path)), TimeDelta::zero()));
            }
            (None, Some(data)) if Address::is_one(data) => {
                keep(Kept::new(DEMO, Home::Demo, TimeDelta::zero()));
                for (slug, home) in at_server(data)? {
                    let shift = shift_of(&slug);
                    keep(Kept::new(&slug, home, shift));
                }
            }
            (None, Some(data)) => {
                keep(Kept::new(DEMO, Home::Demo, TimeDelta::zero()));
                founding::sweep(data, now);
                for path in databases(data)? {
                    let id = id_of(&path);
                    keep(Kept::new(&id, Home::Database(path), shift_of(&id)));
                }
            }
            (None, None) => {
                keep(Kept::new(DEMO, Home::Demo, TimeDelta::zero()));
            }
        }
        Ok(Self {
            settings,
            access,
            kept: RwLock::new(kept),
            shift,
            changes: broadcast::channel(CHANGES).0,
            stopping: watch::channel(false).0,
            work: Arc::new(Semaphore::new(available_parallelism().map_or(2, |n| n.get().max(2)))),
            long_work: Arc::new(Semaphore::new(1)),
            counts: super::ops::Counts::default(),
        })
    }

    /// Where a page of no grove stands.
    pub fn place(&self, caller: &Caller) -> Place {
        Place {
            person: caller.name.clone(),
            may_log: caller.role >= Role::Crew,
            may_manage: caller.role >= Role::Manager,
            csrf: caller.csrf.clone(),
            offline: self.settings.is_secure(),
            ..Place::of_no_grove()
        }
    }

    /// All groves, by id.
    pub fn groves(&self) -> Vec<Arc<Kept>> {
        self.kept.read().unwrap_or_else(PoisonError::into_inner).values().cloned().collect()
    }

    /// One grove.
    pub fn kept(&self, id: &str) -> Option<Arc<Kept>> {
        self.kept.read().unwrap_or_else(PoisonError::into_inner).get(id).cloned()
    }

    /// Takes a grove in; one of the same id is replaced.
    pub fn keep(&self, kept: Kept) {
        let mut all = self.kept.write().unwrap_or_else(PoisonError::into_inner);
        all.insert(kept.id.clone(), Arc::new(kept));
    }

    /// The time at a grove: that of the setting `as_of` at all of them where it is set.
    pub fn now(&self, kept: &Kept) -> DateTime<Utc> {
        match (self.settings.as_of, &kept.home) {
            (Some(_), _) => Utc::now() + self.shift,
            (None, Home::Demo) => demo::as_of(),
            (None, _) => Utc::now() + kept.shift,
        }
    }

    /// What changes from here on.
    pub fn changes(&self) -> broadcast::Receiver<Changed> {
        self.changes.subscribe()
    }

    /// Turns true when the service stops.
    pub fn stopping(&self) -> watch::Receiver<bool> {
        self.stopping.subscribe()
    }

    /// Tells all that wait that the service stops.
    pub fn stop(&self) {
        self.stopping.send_replace(true);
    }

    /// Runs short work off the threads that answer, as much at once as there are cores.
    ///
    /// # Errors
    /// [`Fault`] where the work panics or the service stops.
    pub async fn work<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Fault> {
        self.work_of(Effort::Short, work).await
    }

    /// Runs work off the threads that answer. Its turn lasts until it is done, whoever waits for it.
    ///
    /// # Errors
    /// [`Fault`] where the work panics or the service stops.
    pub async fn work_of<T: Send + 'static>(
        &self,
        effort: Effort,
        work: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, Fault> {
        let turns = self.turns(effort).await?;
        done(tokio::task::spawn_blocking(move || {
            let _turns = turns;
            work()
        }))
        .await
    }

    async fn turns(&self, effort: Effort) -> Result<Turns, Fault> {
        let turn = async |of: &Arc<Semaphore>| {
            of.clone().acquire_owned().await.map_err(|_| Fault::own("the service stops"))
        };
        let long = match effort {
            Effort::Short => None,
            Effort::Long => Some(turn(&self.long_work).await?),
        };
        Ok((long, turn(&self.work).await?))
    }

    /// The grove's name.
    ///
    /// # Errors
    /// [`Fault`] where the grove cannot be read.
    pub async fn name(&self, kept: &Arc<Kept>) -> Result<String, Fault> {
        Ok(self.laid(kept).await?.desk.grove.settings.name.clone())
    }

    /// An answer from a grove's desk, kept with it; `asked` tells the question from others of the
    /// same kind. What several ask at once is worked out once. Who goes away while they wait for a
    /// turn has not asked; what has begun is worked out to its end and kept.
    ///
    /// # Errors
    /// [`Fault`] of the use case.
    pub async fn answer<T: Send + Sync + 'static>(
        &self,
        kept: &Arc<Kept>,
        effort: Effort,
        asked: &str,
        ask: impl FnOnce(&Desk) -> Result<T, DeskError> + Send + 'static,
    ) -> Result<Arc<T>, Fault> {
        let laid = self.laid(kept).await?;
        let asked = laid.asked((type_name::<T>(), asked.to_owned()));
        if asked.answer.get().is_none() {
            let _first = asked.turn.lock().await;
            if asked.answer.get().is_none() {
                let turns = self.turns(effort).await?;
                let at = asked.clone();
                done(tokio::task::spawn_blocking(move || {
                    let _turns = turns;
                    // Somebody who went away may have had it worked out meanwhile.
                    if at.answer.get().is_none() {
                        let _ = at.answer.set(Arc::new(ask(&laid.desk)?));
                    }
                    Ok::<_, DeskError>(())
                }))
                .await??;
            }
        }
        let answer = asked.answer.get().cloned();
        let answer = answer.and_then(|answer| answer.downcast::<T>().ok());
        answer.ok_or_else(|| Fault::own("an answer is of another kind"))
    }

    /// A page that shows an answer, kept as it is sent to whoever stands at the same place.
    ///
    /// # Errors
    /// [`Fault`] of the use case.
    pub async fn page<T: Send + Sync + 'static>(
        &self,
        kept: &Arc<Kept>,
        effort: Effort,
        asked: (&str, &Place),
        ask: impl FnOnce(&Desk) -> Result<T, DeskError> + Send + 'static,
        write: impl FnOnce(&Place, &T) -> String + Send + 'static,
    ) -> Result<Arc<SentPage>, Fault> {
        let laid = self.laid(kept).await?;
        let (asked, place) = (asked.0, asked.1.clone());
        let wanted = ((type_name::<T>(), asked.to_owned()), place.clone());
        let pages = || laid.pages.lock().unwrap_or_else(PoisonError::into_inner);
        let known = pages().iter().find(|(of, _)| *of == wanted).map(|(_, page)| page.clone());
        if let Some(page) = known {
            return Ok(page);
        }
        let answer = self.answer(kept, effort, asked, ask).await?;
        let page = self.work(move || SentPage::new(write(&place, &answer))).await?;
        let page = Arc::new(page);
        let mut pages = pages();
        pages.truncate(MOST_PAGES - 1);
        pages.push_front((wanted, page.clone()));
        Ok(page)
    }

    /// An answer from a grove's desk that is not kept.
    ///
    /// # Errors
    /// [`Fault`] of the use case.
    pub async fn ask<T: Send + 'static>(
        &self,
        kept: &Arc<Kept>,
        effort: Effort,
        ask: impl FnOnce(&Desk) -> Result<T, DeskError> + Send + 'static,
    ) -> Result<T, Fault> {
        let laid = self.laid(kept).await?;
        Ok(self.work_of(effort, move || ask(&laid.desk)).await??)
    }

    /// Writes to a grove and tells those who listen.
    ///
    /// # Errors
    /// [`Fault`]; nothing was written then.
    pub async fn write<T: Send + 'static, E: Send + 'static>(
        &self,
        kept: &Arc<Kept>,
        effort: Effort,
        write: impl FnOnce(&Home, DateTime<Utc>) -> Result<T, E> + Send + 'static,
    ) -> Result<T, Fault>
    where
        Fault: From<E>,
    {
        let (home, now) = (kept.home.clone(), self.now(kept));
        let written = self.work_of(effort, move || write(&home, now)).await??;
        self.tell(kept);
        Ok(written)
    }

    /// Hears what other processes write to the groves of a server, until this one is gone: those
    /// who listen are told, and groves that are new are taken in.
    ///
    /// # Errors
    /// [`DeskError`] where the server does not answer.
    pub fn hear_others(self: &Arc<Self>) -> Result<(), DeskError> {
        let Some(data) = self.settings.shared() else { return Ok(()) };
        let here = Arc::downgrade(self);
        let home = data.clone();
        let told = move |slug: &str| {
            let Some(server) = here.upgrade() else { return false };
            if slug.starts_with("unfinished-") {
                return true;
            }
            match server.kept(slug) {
                Some(kept) => drop(server.changes.send(Changed { grove: kept.id.clone() })),
                None => server.take_in(&home, slug),
            }
            true
        };
        Ok(watch(&data, told)?)
    }

    /// Takes in a grove that another process made. What is asked of the database is asked aside,
    /// since who hears must not wait.
    fn take_in(self: &Arc<Self>, data: &Address, slug: &str) {
        let (server, slug) = (self.clone(), slug.to_owned());
        let home = Home::Database(data.of_grove(Some(&slug)).typed());
        std::thread::spawn(move || {
            let groves = server.access.office.groves().unwrap_or_default();
            let kept = groves.iter().find(|kept| kept.grove == slug);
            let shift = kept.map_or(TimeDelta::zero(), |kept| kept.clock_offset);
            if server.kept(&slug).is_none() {
                server.keep(Kept::new(&slug, home, shift));
            }
        });
    }

    /// Tells those who listen that a grove changed; of a server's grove, the server tells it.
    pub fn tell(&self, kept: &Kept) {
        if self.settings.shared().is_some() {
            return;
        }
        let _ = self.changes.send(Changed { grove: kept.id.clone() });
    }

    async fn laid(&self, kept: &Arc<Kept>) -> Result<Arc<Laid>, Fault> {
        kept.asked.store(Utc::now().timestamp(), Ordering::Relaxed);
        if let Some(laid) = self.still(kept, FRESH) {
            return Ok(laid);
        }
        let _turn = kept.turn.lock().await;
        match self.still(kept, FRESH) {
            Some(laid) => Ok(laid),
            None => self.lay(kept).await,
        }
    }

    /// The desk as it lies, where it still holds.
    fn still(&self, kept: &Kept, fresh: TimeDelta) -> Option<Arc<Laid>> {
        let laid = kept.lying()?;
        let age = self.now(kept) - laid.at;
        (laid.stamp == kept.home.stamp() && age < fresh && age > -fresh).then_some(laid)
    }

    async fn lay(&self, kept: &Arc<Kept>) -> Result<Arc<Laid>, Fault> {
        let (now, home) = (self.now(kept), kept.home.clone());
        let work = move || {
            let stamp = home.stamp();
            let grove = home.path().map(Path::to_owned);
            let request = Request { grove, as_of: Some(now), ..Request::default() };
            let desk = Desk::lay(&request, now)?;
            Ok::<_, DeskError>(Laid {
                desk,
                stamp,
                at: now,
                answers: Mutex::default(),
                pages: Mutex::default(),
            })
        };
        let laid = Arc::new(self.work(work).await??);
        *kept.laid.write().unwrap_or_else(PoisonError::into_inner) = Some(laid.clone());
        Ok(laid)
    }

    /// Lays again the desks that will be asked for: those that were asked for since `asked`, and are
    /// older than half their time or out of date. How many were.
    ///
    /// # Errors
    /// None: a grove that cannot be read says so to who asks.
    pub async fn refresh(&self, asked: TimeDelta) -> usize {
        let mut refreshed = 0;
        for kept in self.groves() {
            let last = Utc::now().timestamp() - kept.asked.load(Ordering::Relaxed);
            let lies = kept.lying().is_some();
            if !lies || last > asked.num_seconds() || self.still(&kept, FRESH / 2).is_some() {
                continue;
            }
            let out_of_date = kept.lying().is_some_and(|laid| laid.stamp != kept.home.stamp());
            let began = Instant::now();
            let turn = kept.turn.lock().await;
            refreshed += usize::from(self.lay(&kept).await.is_ok());
            drop(turn);
            if out_of_date {
                self.tell(&kept);
            }
            // Questions go first: this work takes a third of the time.
            tokio::time::sleep(2 * began.elapsed()).await;
        }
        refreshed
    }
}

/// What a piece of work came to.
async fn done<T>(work: JoinHandle<T>) -> Result<T, Fault> {
    work.await.map_err(|error| Fault::own(format!("a piece of work failed: {error}")))
}

/// The groves of a server by their names there.
fn at_server(data: &Path) -> Result<Vec<(String, Home)>, DeskError> {
    let address = Address::try_from(data);
    let address = address.map_err(|error| DeskError::Unanswerable(error.to_string()))?;
    let slugs = groves_at(&address)?;
    let home = |slug: &str| Home::Database(address.of_grove(Some(slug)).typed());
    Ok(slugs.into_iter().map(|slug| (slug.clone(), home(&slug))).collect())
}

fn databases(data: &Path) -> Result<Vec<PathBuf>, DeskError> {
    let unread = |error| DeskError::File { path: data.to_owned(), error };
    std::fs::create_dir_all(data).map_err(unread)?;
    let entries = std::fs::read_dir(data).map_err(unread)?;
    let mut paths: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    paths.retain(|path| path.extension().is_some_and(|ending| ending == "db"));
    paths.retain(|path| path.file_name().is_some_and(|name| name != OFFICE));
    paths.sort();
    Ok(paths)
}

/// An id for addresses from a path's name: letters, digits and hyphens.
pub fn id_of(path: &Path) -> String {
    if let Some(slug) = Address::is_one(path)
        .then(|| Address::try_from(path).ok()?.grove().map(str::to_owned))
        .flatten()
    {
        return slug;
    }
    let stem = path.file_stem().map(|stem| stem.to_string_lossy().to_lowercase());
    let plain = |letter: char| if letter.is_ascii_alphanumeric() { letter } else { '-' };
    let id: String = stem.unwrap_or_default().chars().map(plain).collect();
    match id.trim_matches('-') {
        "" => "grove".to_owned(),
        id => id.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::http::settings::Typed;
    use std::sync::atomic::AtomicUsize;
    use std::time::Duration;
    use tokio::task::JoinHandle;

    fn server() -> (Arc<Server>, Arc<Kept>) {
        let settings = Typed { pull: Some(false), ..Typed::default() }.settled(None, None).unwrap();
        let server = Arc::new(Server::open(settings).unwrap());
        let kept = server.kept(DEMO).unwrap();
        (server, kept)
    }

    /// Takes a while, and counts how often it is asked.
    fn slowly(count: &Arc<AtomicUsize>) -> impl FnOnce(&Desk) -> Result<usize, DeskError> + use<> {
        let count = count.clone();
        move |_| {
            std::thread::sleep(Duration::from_millis(100));
            Ok(count.fetch_add(1, Ordering::SeqCst) + 1)
        }
    }

    #[tokio::test(flavor = "multi_thread")]
    async fn what_many_ask_at_once_is_worked_out_once_and_to_its_end() {
        let (server, kept) = server();
        let count = Arc::new(AtomicUsize::new(0));
        let ask = |words| {
            let (server, kept, ask) = (server.clone(), kept.clone(), slowly(&count));
            async move { server.answer(&kept, Effort::Long, words, ask).await.map(|n| *n).unwrap() }
        };
        let asked: Vec<_> = (0..8).map(|_| tokio::spawn(ask("one"))).collect();
        for one in asked {
            assert_eq!(one.await.unwrap(), 1);
        }
        // Whoever asks goes away before there is an answer; the next one finds it.
        let gone = tokio::time::timeout(Duration::from_millis(5), ask("other")).await;
        assert!(gone.is_err());
        assert_eq!(ask("other").await, 2);
        // Whoever goes away before their turn has not asked.
        let (long, hold) = held(&server).await;
        let gone = tokio::time::timeout(Duration::from_millis(20), ask("third")).await;
        assert!(gone.is_err());
        drop(hold);
        long.await.unwrap();
        tokio::time::sleep(Duration::from_millis(300)).await;
        assert_eq!(count.load(Ordering::SeqCst), 2);
    }

    /// Long work that has begun, and goes on until what it is held by is dropped.
    async fn held(server: &Arc<Server>) -> (JoinHandle<()>, std::sync::mpsc::Sender<()>) {
        let (hold, held) = std::sync::mpsc::channel::<()>();
        let held = Mutex::new(held);
        let (begin, begun) = tokio::sync::oneshot::channel();
        let waits = move || {
            begin.send(()).unwrap();
            let _ = held.lock().unwrap().recv();
        };
        let server = server.clone();
        let long = tokio::spawn(async move { server.work_of(Effort::Long, waits).await.unwrap() });
        begun.await.unwrap();
        (long, hold)
    }

    #[tokio::test(flavor = "multi_thread")]
    async fn a_failure_is_not_kept_and_long_work_leaves_room_for_short() {
        let (server, kept) = server();
        let failing = |_: &Desk| Err::<usize, _>(DeskError::Unanswerable("not now".into()));
        assert!(server.answer(&kept, Effort::Short, "", failing).await.is_err());
        let count = Arc::new(AtomicUsize::new(0));
        let answer = server.answer(&kept, Effort::Short, "", slowly(&count)).await;
        assert_eq!(*answer.unwrap(), 1);

        let (long, hold) = held(&server).await;
        let others: Vec<_> = (0..4)
            .map(|_| {
                let server = server.clone();
                tokio::spawn(async move { server.work_of(Effort::Long, || ()).await })
            })
            .collect();
        tokio::time::sleep(Duration::from_millis(50)).await;
        assert_eq!(server.work(|| 7).await.unwrap(), 7);
        assert!(others.iter().all(|other| !other.is_finished()));
        drop(hold);
        long.await.unwrap();
        for other in others {
            other.await.unwrap().unwrap();
        }
    }
}
