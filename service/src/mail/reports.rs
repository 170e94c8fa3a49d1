//! Reports that somebody at the page wants mailed, with their letter.

use super::due::address;
use super::letter::{self, CAUTION, Frame, LONGEST_NAME, escaped, file_name};
use super::sender::{Running, Stop};
use super::transport::Outcome;
use crate::advise::local_time::local;
use crate::advise::wording::plain;
use crate::keep::mail::MailDone;
use crate::keep::report_mail::{ReportEnded, ReportMail, read_waiting_report};
use roundsman_models::EventTime;

impl Running {
    /// Sends all that wait. One that can never be sent says why in its row and holds up no other.
    pub(super) async fn reports(&self) -> Result<(), Stop> {
        let mut after = 0;
        while let Some(waiting) = self.read(move |store| read_waiting_report(store, after)).await? {
            after = waiting.number;
            let fault = self.send_report(&waiting).await?;
            if let Some(why) = &fault {
                self.sender.status.mail_refused.up();
                tracing::error!(
                    asset = waiting.asked.asset,
                    to = waiting.asked.address,
                    by = waiting.asked.by,
                    "mail: a report that was asked for at the page is not sent: {why}"
                );
            }
            let ended = ReportEnded { number: waiting.number, at: (self.sender.now)().0, fault };
            self.write(MailDone { reports: vec![ended], ..MailDone::default() }).await?;
        }
        Ok(())
    }

    /// Gives why it can never be sent.
    async fn send_report(&self, waiting: &ReportMail) -> Result<Option<String>, Stop> {
        let asked = &waiting.asked;
        // The file may have changed since: what is not in it any more gets no mail.
        let mut people = self.sender.mail.rules.iter().flat_map(|rule| &rule.people);
        let Some(to) = people.find(|person| address(person) == asked.address) else {
            return Ok(Some("the address is not in [mail] any more".into()));
        };
        let pdf = match self.made(&asked.asset, self.sender.mail.report.unwrap_or_default(), Some(&asked.by)).await {
            Ok(pdf) => pdf,
            Err(why) => return Ok(Some(format!("the report cannot be made: {why}"))),
        };
        let frame = self.frame(to);
        let key = format!("report {} {} {}", waiting.number, asked.asked, asked.address);
        let pdf = Some((format!("report-{}.pdf", file_name(&asked.asset)), pdf));
        let message = match letter::message(&frame, subject(waiting, &frame), text(waiting, &frame), &key, &key, pdf) {
            Ok(message) => message,
            Err(error) => return Ok(Some(error.to_string())),
        };
        match self.transport.send(message).await {
            Outcome::Taken => {
                self.sender.status.mail_sent.up();
                Ok(None)
            }
            Outcome::Refused(why) => Ok(Some(format!("the server refuses it: {why}"))),
            Outcome::TooLarge(why) => Ok(Some(format!("too large for the server: {why}"))),
            Outcome::Later(why) => Err(Stop::Trouble(why)),
        }
    }
}

fn subject(waiting: &ReportMail, frame: &Frame<'_>) -> String {
    let name = |text: &str| plain(text, LONGEST_NAME);
    format!("Report: {} ({}), sent by {}", name(&waiting.asked.asset), name(frame.site), name(&waiting.asked.by))
}

fn text(waiting: &ReportMail, frame: &Frame<'_>) -> String {
    let asked = &waiting.asked;
    let name = |text: &str| plain(text, LONGEST_NAME);
    let at = local(EventTime(asked.asked), frame.audience.zone);
    let page = frame.page.map_or(String::new(), |page| format!("{page}/machines/{}\n", escaped(&asked.asset)));
    format!(
        "{} sends you the report of {}, as it stands when this mail leaves. It is attached: two pages for paper.\n\n\
         Asked for at the page of site {}, {at}\n{page}\n{CAUTION}",
        name(&asked.by),
        name(&asked.asset),
        name(frame.site),
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advise::audience::Audience;
    use crate::config::people::Units;
    use crate::keep::report_mail::ReportAsked;
    use jiff::tz::TimeZone;

    #[test]
    fn names_cannot_add_a_header_or_a_line() {
        let (from, to) = ("us@example.org".parse().expect("one"), "a@example.org".parse().expect("one"));
        let zone = TimeZone::UTC;
        let frame = Frame {
            from: &from,
            to: &to,
            site: "quillhaven",
            audience: Audience { zone: &zone, units: Units::Metric },
            page: Some("https://p.example"),
        };
        let bad = "x\r\nBcc: evil@example.org\r\n\r\nhello";
        let asked = ReportAsked { asset: bad.into(), address: "a@example.org".into(), by: bad.into(), asked: 0 };
        let waiting = ReportMail { number: 1, asked, ended: None };
        let mail = letter::message(&frame, subject(&waiting, &frame), text(&waiting, &frame), "k", "k", None);
        let formatted = String::from_utf8(mail.expect("a mail").formatted()).expect("text");
        for line in formatted.lines().map(str::to_lowercase) {
            assert!(!["bcc:", "hello"].iter().any(|bad| line.starts_with(bad)), "{formatted}");
        }
        assert!(formatted.contains("no machine-protection"), "{formatted}");
    }
}
