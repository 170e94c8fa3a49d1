//! A copy of what is kept, in a PostgreSQL database that others can query: trend rows, alerts, audit.
//!
//! The source is `state.db` itself, read through a connection of its own; there is no further queue. How far the copy has
//! come stands in the database, written in the same transaction as the rows ([`sink`]), and is read again after every
//! connect. So a row is there exactly once by its key whatever breaks: a lost answer to a commit, a server that was killed,
//! a copy of it from yesterday that took its place. While the database is away rows wait where they are; how long they can
//! is how long `state.db` keeps them ([`Tier::keep_secs`](crate::keep::trend::Tier::keep_secs)), and what went before it
//! could be sent is noted in the table `missed`, never passed over.
//!
//! One thread of its own with its own runtime. Nothing waits for it: a database that hangs holds up nobody.
//!
//! | part | what it does |
//! |---|---|
//! | [`source`] | reads `state.db` |
//! | [`tables`] | makes the tables, and refuses those of another version |
//! | [`sink`] | writes rows and how far they have come |
//! | [`work`] | the loop: connect, catch up, wait, again |
//! | [`tls`] | its connection, encrypted |
//! | [`explain`] | what PostgreSQL said → what a person can do |
//! | [`progress`] | what the health page and the metrics show |

pub mod explain;
pub mod progress;
pub mod sink;
pub mod source;
pub mod tables;
pub mod tls;
pub mod work;

pub use progress::Progress;
pub use work::{Copier, Settings};
