//! `[[users]]` and `[page]`: who may sign in at the page, and what they may do there.
//!
//! The file holds hashes, never passwords: `roundsman hash-password` makes them. A script that acts instead of a person
//! has a token of its own; the one of `[http]` only looks.

use super::secret::{Secret, read_secret};
use super::table::{Spot, Table};
use argon2::password_hash::phc::PasswordHash;

/// What somebody may do at the page.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// See everything.
    Look,
    /// Also acknowledge, shelve, set limits, write findings.
    Act,
}

/// Somebody who may sign in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct User {
    /// Name, as the history of commands shows it.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// Argon2id hash of the password, as a PHC string.
    pub hash: Secret,
}

/// The page.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Page {
    /// Who may sign in; nobody needs to where there is none.
    pub users: Vec<User>,
    /// Lets a script act that carries it as `Authorization: Bearer`.
    pub token: Option<Secret>,
}

/// Units values are shown in to people. Documents keep theirs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Units {
    /// mm/s, °C, bar.
    #[default]
    Metric,
    /// in/s, °F, psi.
    Inch,
}

/// Longest name; a command's `by` has the same limit.
const LONGEST_NAME: usize = 100;
/// A hash may ask for this much memory at most, KiB: whoever tries passwords at the door must not exhaust it.
const MOST_KIB: u32 = 256 * 1024;

/// Reads both.
pub(super) fn read_page(table: Table<'_>, users: Option<Spot<'_>>) -> Page {
    let token = read_secret(&table, "token");
    if token.as_ref().is_some_and(|token| token.reveal().len() < super::http::SHORTEST_TOKEN) {
        let rule =
            format!("must be at least {} characters: openssl rand -hex 32 makes one", super::http::SHORTEST_TOKEN);
        table.fault("token", rule);
    }
    table.done();
    Page { users: read_users(users), token }
}

fn read_users(found: Option<Spot<'_>>) -> Vec<User> {
    let mut users: Vec<User> = Vec::new();
    for spot in found.and_then(|spot| spot.items()).unwrap_or_default() {
        let Some(table) = spot.table() else { continue };
        let role = match table.get("role") {
            Some(spot) => spot.one_of(&[("look", Role::Look), ("act", Role::Act)]),
            None => {
                table.fault("role", "is needed: \"look\", or \"act\" to acknowledge, shelve and set limits as well");
                None
            }
        };
        let hash = match table.get("password_hash") {
            Some(spot) => spot.text().and_then(|text| match check_hash(text) {
                Ok(()) => Some(Secret::new(text)),
                Err(rule) => {
                    spot.fault_without_value(rule);
                    None
                }
            }),
            None => {
                table.fault("password_hash", "is needed: `roundsman hash-password` makes one");
                None
            }
        };
        match table.get("name") {
            None => table.fault("name", "is needed: the history of commands shows it"),
            Some(spot) => {
                if let Some(name) = spot.text() {
                    if !is_name(name) {
                        spot.fault(format!(
                            "must be a person's name of 1 to {LONGEST_NAME} characters without blanks at its ends"
                        ));
                    } else if users.iter().any(|user| user.name == name) {
                        spot.fault("must be another name than those of the users before");
                    } else if let (Some(role), Some(hash)) = (role, hash) {
                        users.push(User { name: name.to_owned(), role, hash });
                    }
                }
            }
        }
        table.done();
    }
    users
}

/// Whether it may stand as a person's name.
pub fn is_name(name: &str) -> bool {
    let length = name.chars().count();
    (1..=LONGEST_NAME).contains(&length) && name.trim() == name && !name.chars().any(char::is_control)
}

fn check_hash(text: &str) -> Result<(), String> {
    let make = "`roundsman hash-password` makes one";
    let hash = PasswordHash::new(text).map_err(|error| format!("must be a hash ({error}): {make}"))?;
    if hash.algorithm.as_str() != "argon2id" || hash.hash.is_none() || hash.salt.is_none() {
        return Err(format!("must be a hash by argon2id with its salt: {make}"));
    }
    let params =
        argon2::Params::try_from(&hash).map_err(|error| format!("must be a hash by argon2id ({error}): {make}"))?;
    if params.m_cost() > MOST_KIB {
        return Err(format!("must ask for at most {MOST_KIB} KiB of memory, it asks for {}", params.m_cost()));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::super::{Sources, from_text, zone_names};
    use super::*;

    fn read(more: &str) -> Result<Page, Vec<String>> {
        let text = format!(
            "site.name = \"s\"\nbroker.url = \"mqtt://localhost\"\ntopics = [{{ pattern = \"a/{{asset}}/{{point}}\" }}]\n{more}"
        );
        let sources = Sources { zones: zone_names(), needs_broker: true, ..Sources::default() };
        from_text(Some(&text), &sources)
            .map(|config| config.page)
            .map_err(|faults| faults.iter().map(ToString::to_string).collect())
    }

    // Made by Debian's argon2 (`echo -n "a good password" | argon2 somesalt1 -id -m 10 -t 1 -e`): another hand than ours.
    const HASH: &str = "$argon2id$v=19$m=1024,t=1,p=1$c29tZXNhbHQx$Go8IlDw/QsfIKVSlAwCbxA9hhIcjNLMY/AfJI9ll+1I";

    #[test]
    fn users_are_read_and_their_hashes_are_never_shown() {
        let page = read(&format!(
            "[[users]]\nname = \"A. Berg\"\nrole = \"act\"\npassword_hash = \"{HASH}\"\n\
             [[users]]\nname = \"wall\"\nrole = \"look\"\npassword_hash = \"{HASH}\"\n"
        ))
        .expect("no faults");
        let roles: Vec<_> = page.users.iter().map(|user| (user.name.as_str(), user.role)).collect();
        assert_eq!(roles, [("A. Berg", Role::Act), ("wall", Role::Look)]);
        assert!(!format!("{page:?}").contains("argon2id"));
    }

    #[test]
    fn every_fault_is_named_with_its_place_and_no_hash_is_printed() {
        let faults = read(
            "[[users]]\nname = \" x\"\nrole = \"all\"\npassword_hash = \"hunter2hunter2\"\n[[users]]\n\
             [page]\ntoken = \"in the file\"\nfoo = 1\n",
        )
        .expect_err("many");
        let all = faults.join("\n");
        for part in [
            "users[1].name",
            "users[1].role",
            "users[1].password_hash",
            "users[2].name: is needed",
            "users[2].role: is needed",
            "users[2].password_hash: is needed",
            "page.token",
            "page.foo",
        ] {
            assert!(all.contains(part), "{part} in\n{all}");
        }
        assert!(!all.contains("hunter2"), "{all}");
        for (bad, rule) in [
            ("$argon2i$v=19$m=1024,t=1,p=1$c29tZXNhbHQx$Go8IlDw/QsfIKVSlAwCbxA9hhIcjNLMY/AfJI9ll+1I", "argon2id"),
            ("$argon2id$v=19$m=1024,t=1,p=1$c29tZXNhbHQx", "salt"),
            ("$argon2id$v=19$m=4194304,t=1,p=1$c29tZXNhbHQx$Go8IlDw/QsfIKVSlAwCbxA9hhIcjNLMY/AfJI9ll+1I", "memory"),
        ] {
            let rule_said = check_hash(bad).expect_err(bad);
            assert!(rule_said.contains(rule), "{rule_said}");
        }
    }

    #[test]
    fn neither_goes_into_the_journal() {
        let text = format!(
            "site.name = \"s\"\nbroker.url = \"mqtt://localhost\"\ntopics = [{{ pattern = \"a/{{asset}}/{{point}}\" }}]\n\
             [[users]]\nname = \"A. Berg\"\nrole = \"act\"\npassword_hash = \"{HASH}\"\n"
        );
        let sources = Sources { zones: zone_names(), needs_broker: true, ..Sources::default() };
        let recorded = from_text(Some(&text), &sources).expect("no faults").recorded.expect("recorded");
        assert!(!recorded.contains("argon2id") && !recorded.contains("Berg"), "{recorded}");
    }
}
