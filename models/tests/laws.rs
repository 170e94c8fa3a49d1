//! What every state obeys, whatever it is fed: bad input changes nothing; stop, store, resume equals straight through to
//! the last bit; merging equals one chain; order matters only where it says so. One file per block.

#[path = "laws/align.rs"]
mod align;
#[path = "laws/manipulate.rs"]
mod manipulate;

use serde::{Serialize, de::DeserializeOwned};

/// The state as it comes back from a file: through the binary format, which keeps every bit.
fn stored<S: Serialize + DeserializeOwned>(state: &S) -> S {
    let bytes = postcard::to_stdvec(state).expect("every state serialises");
    postcard::from_bytes(&bytes).expect("and comes back")
}

/// Values no sensor may send.
const BAD: [f64; 5] = [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN];
