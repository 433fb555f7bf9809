//! The document of the API: what holds for every address is put in here, from where it is decided.

use crate::http::access::{Need, need};
use crate::http::caller::Role;
use crate::http::fault::{PROBLEM, Problem};
use crate::http::problem::Kind;
use axum::http::Method;
use serde_json::json;
use utoipa::openapi::path::{Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::schema::{Ref, Type};
use utoipa::openapi::security::{
    ApiKey, ApiKeyValue, HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme,
};
use utoipa::openapi::{
    ContentBuilder, ObjectBuilder, OpenApi as Document, RefOr, Required, Response, ResponseBuilder,
};
use utoipa::{OpenApi, ToSchema};

#[derive(OpenApi)]
#[openapi(
    info(
        title = "xylocast",
        description = "How long infused trees will take to draw down their bags, from the weather. \
            Planning estimates: the product label, local law and licensed practice prevail.\n\n\
            Times are of the grove's zone with their offset; units stand in the names. Answers come \
            as JSON or, where it is listed, as CSV or a calendar, by the header Accept; each has an \
            ETag. Long lists come in parts of at most 200 lines; the header Link names the next \
            one. What goes wrong is a problem (RFC 9457), whose type is the address of a page about \
            it. A write with an Idempotency-Key is done once, however often it is sent.\n\n\
            A cookie of a log-in opens the API too; its writes need the header x-csrf-token with \
            the token of GET /who. Not here, but at the terminal: export and backup (they write to \
            the disk of the service), serve, and several groves at once; people and tokens are on \
            the pages under /people and at the terminal."
    ),
    components(schemas(Problem)),
    tags(
        (name = "groves", description = "Groves and trees"),
        (name = "ahead", description = "Tomorrow and later"),
        (name = "now", description = "Bags that hang, and the journal"),
        (name = "plan", description = "Who does what when"),
        (name = "dose", description = "What to measure, mix and load"),
        (name = "past", description = "Draws, records, and what they teach"),
        (name = "weather", description = "Weather known and brought in"),
    )
)]
pub struct Base;

/// Puts in what holds for every operation.
pub fn finish(document: &mut Document, cookie: &str) {
    let bearer = HttpBuilder::new().scheme(HttpAuthScheme::Bearer);
    let bearer = bearer.description(Some("A token that a manager made under /people"));
    let components = document.components.get_or_insert_default();
    components.add_security_scheme("token", SecurityScheme::Http(bearer.build()));
    let words = "The cookie of a log-in; writes send x-csrf-token beside it";
    let cookie = ApiKeyValue::with_description(cookie, words);
    components.add_security_scheme("session", SecurityScheme::ApiKey(ApiKey::Cookie(cookie)));
    for (path, item) in &mut document.paths.paths {
        let asked = path.replace("{grove}", "g");
        let operations = [(Method::GET, &mut item.get), (Method::POST, &mut item.post)];
        for (method, operation) in operations {
            if let Some(operation) = operation {
                complete(operation, path, &method, need(&method, &asked));
            }
        }
    }
}

fn complete(operation: &mut Operation, path: &str, method: &Method, need: Need) {
    let parameters = operation.parameters.get_or_insert_default();
    if path.contains("{grove}") {
        parameters.insert(0, text("grove", ParameterIn::Path, "Id of the grove", "demo"));
    }
    if need.writes {
        let words = "Any text of the asker's own: sent again with it, the same is done once and the \
                     first answer comes back; with another body it is refused";
        parameters.push(text("Idempotency-Key", ParameterIn::Header, words, "phone-1-42"));
    }
    let responses = &mut operation.responses.responses;
    if *method == Method::GET {
        let words = "What the asker has, by If-None-Match, still holds";
        responses.insert("304".into(), ResponseBuilder::new().description(words).build().into());
    }
    responses.insert(
        "4XX".into(),
        problem("What was asked cannot be answered", (422, Kind::CannotBeDone)),
    );
    responses
        .insert("5XX".into(), problem("The service cannot answer", (503, Kind::StoreUnusable)));
    if let Some(role) = need.role {
        let schemes = ["token", "session"];
        let nothing: [&str; 0] = [];
        operation.security =
            Some(schemes.map(|scheme| SecurityRequirement::new(scheme, nothing)).into());
        let word = match role {
            Role::Reader => "a reader",
            Role::Crew => "one of the crew",
            Role::Manager => "a manager",
        };
        let least = format!("Needs at least {word}, once people are kept.");
        let told = operation.description.take().map(|told| format!("{told}\n\n{least}"));
        operation.description = Some(told.unwrap_or(least));
    }
}

fn text(name: &str, place: ParameterIn, words: &str, example: &str) -> RefOr<Parameter> {
    let required = if place == ParameterIn::Path { Required::True } else { Required::False };
    let mut schema = ObjectBuilder::new().schema_type(Type::String);
    if place == ParameterIn::Header {
        schema = schema.min_length(Some(1)).max_length(Some(255)).pattern(Some("^[!-~]+$"));
    }
    let parameter = ParameterBuilder::new().name(name).parameter_in(place).required(required);
    parameter
        .description(Some(words))
        .example(Some(example.into()))
        .schema(Some(schema))
        .build()
        .into()
}

fn problem(words: &str, (status, kind): (u16, Kind)) -> RefOr<Response> {
    let example = json!({
        "type": kind.address(),
        "title": kind.title(),
        "status": status,
        "detail": "days 40 is outside 1 to 16",
        "instance": "/api/v1/groves/demo/days",
    });
    let schema = Ref::from_schema_name(Problem::name());
    let content = ContentBuilder::new().schema(Some(schema)).example(Some(example)).build();
    ResponseBuilder::new().description(words).content(PROBLEM, content).build().into()
}
