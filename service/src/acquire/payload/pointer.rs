//! JSON Pointers, RFC 6901.

use serde_json::Value;

/// A pointer that was checked.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Pointer(String);

impl Pointer {
    /// Reads a pointer.
    ///
    /// # Errors
    /// What is wrong, readable after the setting's path.
    pub fn parse(text: &str) -> Result<Self, String> {
        if !text.is_empty() && !text.starts_with('/') {
            return Err(format!("must be a JSON Pointer (RFC 6901), which begins with /: \"/{text}\""));
        }
        let mut after_tilde = text.split('~').skip(1);
        if after_tilde.any(|t| !t.starts_with(['0', '1'])) {
            return Err("must be a JSON Pointer (RFC 6901), in which ~ is written ~0 and / in a name ~1".into());
        }
        Ok(Self(text.to_owned()))
    }

    /// As written.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// What it points at.
    pub fn get<'v>(&self, document: &'v Value) -> Option<&'v Value> {
        document.pointer(&self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: RFC 6901, section 5, the example document and all its pointers.
    #[test]
    fn examples_of_rfc_6901() {
        let document: Value = serde_json::from_str(
            r#"{"foo":["bar","baz"],"":0,"a/b":1,"c%d":2,"e^f":3,"g|h":4,"i\\j":5,"k\"l":6," ":7,"m~n":8}"#,
        )
        .unwrap();
        let get = |pointer: &str| Pointer::parse(pointer).unwrap().get(&document).cloned();
        assert_eq!(get("").as_ref(), Some(&document));
        assert_eq!(get("/foo"), Some(serde_json::json!(["bar", "baz"])));
        assert_eq!(get("/foo/0"), Some("bar".into()));
        for (pointer, value) in [
            ("/", 0),
            ("/a~1b", 1),
            ("/c%d", 2),
            ("/e^f", 3),
            ("/g|h", 4),
            ("/i\\j", 5),
            ("/k\"l", 6),
            ("/ ", 7),
            ("/m~0n", 8),
        ] {
            assert_eq!(get(pointer), Some(value.into()), "{pointer}");
        }
    }

    #[test]
    fn what_is_no_pointer_is_refused() {
        for bad in ["value", "~", "/a~", "/a~2b"] {
            assert!(Pointer::parse(bad).is_err(), "{bad}");
        }
    }
}
