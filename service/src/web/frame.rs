//! What every page has round its own part: site, time zone, who is signed in, where else to go.

use super::Shown;
use super::entrance::Visitor;
use super::files;
use crate::config::people::Role;

/// For `base.html`.
#[derive(Debug, Clone)]
pub struct Frame {
    /// Title of the page.
    pub title: String,
    /// Site name.
    pub site: String,
    /// Zone of the times, as people read it.
    pub zone: String,
    /// Who is signed in.
    pub name: Option<String>,
    /// They may act.
    pub may_act: bool,
    /// What their forms carry.
    pub form_token: String,
    /// There is something to sign in with.
    pub can_sign_in: bool,
    /// A page that only signed-in people see is not offered to others.
    pub shows_pages: bool,
    /// The data are made up.
    pub simulated: bool,
    /// Addresses of style and script, which change with their content.
    pub style: &'static str,
    /// See `style`.
    pub script: &'static str,
}

impl Frame {
    /// Of a page with this title.
    pub fn new(shown: &Shown, title: &str, visitor: Option<&Visitor>) -> Self {
        Self {
            title: title.to_owned(),
            site: shown.site.clone(),
            zone: shown.zone.iana_name().unwrap_or("UTC").to_owned(),
            name: visitor.and_then(Visitor::name).map(str::to_owned),
            may_act: visitor.is_some_and(|visitor| visitor.role == Role::Act),
            form_token: visitor.map(Visitor::form_token).unwrap_or_default().to_owned(),
            can_sign_in: !shown.page.users.is_empty() || shown.page.token.is_some() || shown.http.token.is_some(),
            shows_pages: visitor.is_some() || shown.open,
            simulated: shown.simulated,
            style: files::style().address(),
            script: files::script().address(),
        }
    }
}
