//! A weather service that stands in on loopback: it answers from a script over real sockets and
//! keeps what it was asked.
#![allow(dead_code)]

use chrono::{DurationRound, TimeDelta, Utc};
use serde_json::{Value, json};
use std::io::{BufRead, BufReader, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// What it does with one question.
#[derive(Debug, Clone)]
pub enum Reply {
    /// Answers with a status, headers and a body.
    Answer(u16, Vec<(&'static str, String)>, String),
    /// Announces more bytes than it sends, then hangs up.
    CutShort(String),
    /// Hangs up without a word.
    HangUp,
    /// Says nothing for a while, then hangs up.
    Silent(Duration),
    /// Sends bytes until the caller has enough.
    Endless,
}

impl Reply {
    /// A plain 200.
    pub fn ok(body: impl Into<String>) -> Self {
        Reply::Answer(200, Vec::new(), body.into())
    }

    /// A status with a body.
    pub fn status(status: u16, body: impl Into<String>) -> Self {
        Reply::Answer(status, Vec::new(), body.into())
    }

    /// The same with a header.
    pub fn with(self, name: &'static str, value: impl Into<String>) -> Self {
        match self {
            Reply::Answer(status, mut headers, body) => {
                headers.push((name, value.into()));
                Reply::Answer(status, headers, body)
            }
            other => other,
        }
    }
}

/// Two days back and two ahead about now in the global service's form; all values invented.
pub fn four_days(latitude_deg: f64, longitude_deg: f64, elevation_m: f64) -> Value {
    let hour = Utc::now().duration_trunc(TimeDelta::hours(1)).unwrap();
    let stamps: Vec<i64> =
        (-48..=48).map(|step| (hour + TimeDelta::hours(step)).timestamp()).collect();
    let sun = |stamp: &i64| {
        let of_day = (stamp.rem_euclid(86_400)) as f64 / 3600.0;
        (700.0 * (std::f64::consts::PI * (of_day - 5.0) / 14.0).sin()).max(0.0).round()
    };
    let all = |value: f64| vec![value; stamps.len()];
    json!({
        "latitude": latitude_deg, "longitude": longitude_deg, "generationtime_ms": 0.1,
        "utc_offset_seconds": 0, "timezone": "GMT", "timezone_abbreviation": "GMT",
        "elevation": elevation_m,
        "hourly_units": {
            "time": "unixtime", "temperature_2m": "°C", "relative_humidity_2m": "%",
            "wind_speed_10m": "m/s", "shortwave_radiation": "W/m²", "precipitation": "mm",
            "surface_pressure": "hPa"
        },
        "hourly": {
            "time": stamps, "temperature_2m": all(18.0), "relative_humidity_2m": all(55.0),
            "wind_speed_10m": all(3.0),
            "shortwave_radiation": stamps.iter().map(sun).collect::<Vec<_>>(),
            "precipitation": all(0.0), "surface_pressure": all(990.0)
        }
    })
}

/// One question as it came.
#[derive(Debug, Clone)]
pub struct Question {
    pub path: String,
    pub headers: Vec<(String, String)>,
}

impl Question {
    pub fn header(&self, name: &str) -> Option<&str> {
        let found = self.headers.iter().find(|(known, _)| known.eq_ignore_ascii_case(name));
        found.map(|(_, value)| value.as_str())
    }
}

/// How long it takes to answer: what is asked at once shows.
const TAKES: Duration = Duration::from_millis(10);

/// A running stand-in; it stops with the test.
pub struct StandIn {
    pub base: String,
    asked: Arc<Mutex<Vec<Question>>>,
    at_once: Arc<AtomicUsize>,
}

impl StandIn {
    /// Answers the first question with the first reply and so on; the last reply is repeated.
    pub fn serving(script: Vec<Reply>) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let base = format!("http://{}", listener.local_addr().unwrap());
        let asked: Arc<Mutex<Vec<Question>>> = Arc::default();
        let (now, most) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)));
        let stand_in = Self { base, asked: asked.clone(), at_once: most.clone() };
        std::thread::spawn(move || {
            for stream in listener.incoming().flatten() {
                let (script, asked) = (script.clone(), asked.clone());
                let (now, most) = (now.clone(), most.clone());
                std::thread::spawn(move || {
                    let answers = || {
                        most.fetch_max(now.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                        std::thread::sleep(TAKES);
                        now.fetch_sub(1, Ordering::SeqCst);
                    };
                    serve(stream, &script, &asked, answers);
                });
            }
        });
        stand_in
    }

    /// Every question so far.
    pub fn asked(&self) -> Vec<Question> {
        self.asked.lock().unwrap().clone()
    }

    /// Most questions that waited for their answer at once.
    pub fn most_at_once(&self) -> usize {
        self.at_once.load(Ordering::SeqCst)
    }
}

fn serve(
    mut stream: TcpStream,
    script: &[Reply],
    asked: &Mutex<Vec<Question>>,
    answers: impl FnOnce(),
) {
    let mut reader = BufReader::new(stream.try_clone().unwrap());
    let Some(question) = question(&mut reader) else { return };
    let number = {
        let mut asked = asked.lock().unwrap();
        asked.push(question);
        asked.len() - 1
    };
    answers();
    match &script[number.min(script.len() - 1)] {
        Reply::Answer(status, headers, body) => {
            let mut head = format!("HTTP/1.1 {status} -\r\nconnection: close\r\n");
            for (name, value) in headers {
                head += &format!("{name}: {value}\r\n");
            }
            let body = if *status == 304 { "" } else { body.as_str() };
            let _ = write!(stream, "{head}content-length: {}\r\n\r\n{body}", body.len());
        }
        Reply::CutShort(body) => {
            let length = body.len() + 1000;
            let _ = write!(stream, "HTTP/1.1 200 -\r\ncontent-length: {length}\r\n\r\n{body}");
        }
        Reply::HangUp => {}
        Reply::Silent(time) => std::thread::sleep(*time),
        Reply::Endless => {
            let _ = write!(stream, "HTTP/1.1 200 -\r\n\r\n");
            let kilobyte = [b' '; 1024];
            for _ in 0..200_000 {
                if stream.write_all(&kilobyte).is_err() {
                    break;
                }
            }
        }
    }
    let _ = stream.flush();
}

fn question(reader: &mut impl BufRead) -> Option<Question> {
    let mut line = String::new();
    reader.read_line(&mut line).ok()?;
    let path = line.split_whitespace().nth(1)?.to_owned();
    let mut headers = Vec::new();
    loop {
        let mut line = String::new();
        reader.read_line(&mut line).ok()?;
        match line.trim_end().split_once(':') {
            Some((name, value)) => headers.push((name.to_owned(), value.trim().to_owned())),
            None => return Some(Question { path, headers }),
        }
    }
}
