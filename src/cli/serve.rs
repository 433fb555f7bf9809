//! `xylocast serve`: the terminal's side of the service.

use super::{Answer, args, say};
use crate::app::desk::DeskError;
use crate::http::serve::serve;
use crate::http::settings::{Settings, SettingsError, Typed};

/// Runs the service until it is told to stop.
pub fn answer(cli: &args::Cli, args: &args::Serve) -> Result<Answer, DeskError> {
    let unanswerable = |error: &dyn std::fmt::Display| DeskError::Unanswerable(error.to_string());
    let settings = settings(cli, args).map_err(|error| unanswerable(&error))?;
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|error| DeskError::Unanswerable(format!("no runtime to serve with: {error}")))?;
    let listening = |address, scheme: &str| say(&format!("xylocast serves {scheme}://{address}/"));
    runtime.block_on(serve(settings, listening)).map_err(|error| unanswerable(&error))?;
    Ok(Answer { text: String::new(), no: false })
}

fn settings(cli: &args::Cli, args: &args::Serve) -> Result<Settings, SettingsError> {
    let file = args.settings.as_deref().map(Typed::read).transpose()?.unwrap_or_default();
    args.typed.clone().over(file).settled(cli.common.grove.clone(), cli.common.as_of)
}
