//! The SMTP client made from the configuration, and what an answer means for the mail and for the next one.

use crate::config::mail::{Mail, Security};
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, CertificateStore, Tls, TlsParameters};
use lettre::transport::smtp::response::Severity as Reply;
use lettre::{AsyncSmtpTransport, AsyncTransport, Message, Tokio1Executor};
use std::time::Duration;

/// A server that says nothing for so long is down.
const TIMEOUT: Duration = Duration::from_secs(30);

/// What became of a mail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Outcome {
    /// The server has it.
    Taken,
    /// The server will never take this one: told in the log, and not tried again.
    Refused(String),
    /// It is too large; without what is attached it may go.
    TooLarge(String),
    /// Not now: the server, the way there, or our login. Everything waits.
    Later(String),
}

/// The client.
pub(super) struct Transport(AsyncSmtpTransport<Tokio1Executor>);

impl Transport {
    /// # Errors
    /// In words: the certificates cannot be used. They could when the configuration was checked.
    pub(super) fn new(mail: &Mail) -> Result<Self, String> {
        let tls = || -> Result<TlsParameters, String> {
            let mut builder = TlsParameters::builder(mail.server.clone());
            if let Some(path) = &mail.ca_file {
                let pem = std::fs::read(path).map_err(|error| format!("{}: {error}", path.display()))?;
                let certificates =
                    Certificate::from_pem(&pem).map_err(|error| format!("{}: {error}", path.display()))?;
                // Only those: a file is named because nobody else shall vouch.
                builder = builder.certificate_store(CertificateStore::None).add_root_certificate(certificates);
            }
            builder.build().map_err(|error| error.to_string())
        };
        let tls = match mail.security {
            Security::StartTls => Tls::Required(tls()?),
            Security::Tls => Tls::Wrapper(tls()?),
            Security::Plain => Tls::None,
        };
        let mut builder = AsyncSmtpTransport::<Tokio1Executor>::builder_dangerous(&mail.server)
            .port(mail.port)
            .tls(tls)
            .timeout(Some(TIMEOUT));
        if let Some((user, password)) = &mail.login {
            builder = builder.credentials(Credentials::new(user.clone(), password.reveal().to_owned()));
        }
        Ok(Self(builder.build()))
    }

    /// Hands a mail to the server.
    pub(super) async fn send(&self, message: Message) -> Outcome {
        match self.0.send(message).await {
            Ok(_) => Outcome::Taken,
            Err(error) => {
                let code = error.status().map(|code| (code.severity, u16::from(code)));
                judge(code.map(|(_, code)| code), code.map(|(severity, _)| severity), chain(&error))
            }
        }
    }
}

/// The causes of an error behind each other: "network is unreachable" stands in the last one.
fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(next) = cause {
        let next_text = next.to_string();
        if !text.contains(&next_text) {
            text = format!("{text}: {next_text}");
        }
        cause = next.source();
    }
    crate::advise::wording::plain(&text, 300)
}

/// Source: RFC 5321, section 4.2.3, and RFC 4954, section 6: 530, 534, 535 and 538 are about our login, 552 about the size,
/// 421 and all 4yz pass.
fn judge(code: Option<u16>, severity: Option<Reply>, why: String) -> Outcome {
    match (code, severity) {
        (Some(552), _) => Outcome::TooLarge(why),
        (Some(530 | 534 | 535 | 538), _) => Outcome::Later(why),
        // Without a conversation nothing is said of the mail: 554 as a greeting, 502 on a command.
        (Some(500..=504), _) => Outcome::Later(why),
        (_, Some(Reply::PermanentNegativeCompletion)) => Outcome::Refused(why),
        _ => Outcome::Later(why),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reply_decides_between_never_and_later() {
        let judged = |code: u16| {
            let severity =
                if code >= 500 { Reply::PermanentNegativeCompletion } else { Reply::TransientNegativeCompletion };
            judge(Some(code), Some(severity), String::new())
        };
        for later in [421, 450, 451, 452, 454, 530, 535, 502] {
            assert_eq!(judged(later), Outcome::Later(String::new()), "{later}");
        }
        for never in [550, 551, 553, 554] {
            assert_eq!(judged(never), Outcome::Refused(String::new()), "{never}");
        }
        assert_eq!(judged(552), Outcome::TooLarge(String::new()));
        assert_eq!(judge(None, None, String::new()), Outcome::Later(String::new()), "no answer at all");
    }
}
