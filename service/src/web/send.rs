//! "Send it": mails the report of a machine to somebody the configuration names, never to an address of a form's own. The
//! wish is on the disk before the answer; the mail goes when the server takes it.

use super::act::{Letter, answer, gate, says_who};
use super::entrance::Visitor;
use super::words;
use super::{Shown, reply};
use crate::advise::wording::plain;
use crate::keep::KeepError;
use crate::keep::read::Reader;
use crate::keep::report_mail::{REPORTS_WAITING, ReportAsked, ReportMail};
use crate::mail::desk::Taken;
use crate::mail::due::address;
use axum::Form;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use roundsman_models::EventTime;
use serde::Deserialize;
use std::sync::Arc;

/// The form.
#[derive(Debug, Deserialize)]
pub(super) struct Given {
    #[serde(default)]
    form_token: String,
    by: Option<String>,
    to: String,
}

/// `/machines/{asset}/send`
pub(super) async fn send(
    State(shown): State<Arc<Shown>>,
    visitor: Visitor,
    Path(asset): Path<String>,
    headers: HeaderMap,
    Form(given): Form<Given>,
) -> Response {
    if let Some(refused) = gate(&shown, &visitor, &given.form_token, &asset) {
        return refused;
    }
    let say = |code, accepted, words: &str| answer(&shown, &visitor, &headers, &asset, code, accepted, words);
    if shown.mail_to.is_empty() {
        return reply::refused(&shown, StatusCode::NOT_FOUND, "No mail is configured here: [mail] names nobody.");
    }
    let by = match says_who(&visitor, given.by.as_deref()) {
        Ok(by) => by,
        Err(why) => return say(StatusCode::UNPROCESSABLE_ENTITY, false, why),
    };
    let Some(to) = shown.mail_to.iter().find(|person| address(person) == given.to.trim().to_lowercase()) else {
        let words = "The report is mailed to people named under [mail] in the configuration only.";
        return say(StatusCode::UNPROCESSABLE_ENTITY, false, words);
    };
    match waiting(&shown).await {
        Ok(waiting) if waiting < REPORTS_WAITING => {}
        Ok(waiting) => {
            let words = format!("{waiting} reports wait for the mail server already, so this one was not taken.");
            return say(StatusCode::SERVICE_UNAVAILABLE, false, &words);
        }
        Err(why) => return say(StatusCode::SERVICE_UNAVAILABLE, false, &why),
    }
    let asked = ReportAsked { asset: asset.clone(), address: address(to), by, asked: (shown.now)().0 };
    match shown.status.desk.give(asked).await {
        Taken::Kept => {
            let words =
                format!("The report goes to {} as soon as the mail server takes it.", plain(&to.to_string(), 200));
            say(StatusCode::ACCEPTED, true, &words)
        }
        Taken::UnderWay => say(
            StatusCode::ACCEPTED,
            true,
            "It is under way to the disk and not kept yet. The list below shows it once it is.",
        ),
        Taken::Not(why) => say(StatusCode::SERVICE_UNAVAILABLE, false, &format!("It was not taken: {why}. Try again.")),
    }
}

async fn waiting(shown: &Arc<Shown>) -> Result<u64, String> {
    let dir = shown.state_dir.clone();
    let read = move || Reader::open(&dir).and_then(|reader| reader.report_mail_waiting());
    match tokio::task::spawn_blocking(read).await {
        Ok(counted) => counted.map_err(|error: KeepError| error.to_string()),
        Err(error) => Err(error.to_string()),
    }
}

/// For the list under the forms.
pub(super) fn letter(mail: &ReportMail, shown: &Shown) -> Letter {
    let outcome = match &mail.ended {
        None => "waits for the mail server".to_owned(),
        Some(ended) => match &ended.fault {
            None => format!("sent {}", words::when(EventTime(ended.at), &shown.zone).words),
            Some(why) => format!("not sent: {}", plain(why, 300)),
        },
    };
    Letter {
        at: words::when(EventTime(mail.asked.asked), &shown.zone),
        by: plain(&mail.asked.by, 100),
        to: plain(&mail.asked.address, 200),
        outcome,
    }
}
