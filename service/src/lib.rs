//! The service around the models, its modules in the order data passes them.

pub mod cli;
pub mod config;
pub mod error;

pub mod acquire;
pub mod intake;

pub mod asset;
pub mod engine;

pub mod advise;
pub mod board;
pub mod historian;
pub mod inlet;
pub mod keep;
pub mod mail;
pub mod schema;
pub mod status;
pub mod vitals;

pub mod service_manager;
pub mod web;

pub mod analyse;
pub mod app;
pub mod chart;
pub mod check;
pub mod demo;
pub mod evaluate;
pub mod export;
pub mod extras;
pub mod hash_password;
pub mod reload;
pub mod replay;
pub mod report;
pub mod run;
pub mod spill;

/// What a thousand assets collect while they learn lies between what they keep. The C library's allocator holds on to such
/// memory for good; this one gives whole freed pages back to the system.
/// Here and not in `main.rs`, so that tests and benches run on, and measure, what is delivered.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;
