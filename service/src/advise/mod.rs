//! Advisory generation (ISO 13374 block 6): what is said, to whom it reads on its own.

pub mod audience;
pub mod cloud_event;
pub mod command;
pub mod diagnosis;
pub mod document;
pub mod edge_node;
pub mod forms;
pub mod local_time;
pub mod permission;
pub mod publish;
pub mod published;
pub mod readable;
pub mod service_status;
pub mod topics;
pub mod wording;
