//! The payload of Sparkplug B as Protocol Buffers: what of it is read or written here, by the field numbers of the
//! specification (3.0.0, section 6.4). Data sets, templates and metadata are no readings and are passed over unread.

/// A message.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Payload {
    /// When it was sent, ms since 1970 UTC.
    #[prost(uint64, optional, tag = "1")]
    pub timestamp: Option<u64>,
    /// What it tells.
    #[prost(message, repeated, tag = "2")]
    pub metrics: Vec<Metric>,
    /// 0 to 255, one count per node over its own messages and its devices'.
    #[prost(uint64, optional, tag = "3")]
    pub seq: Option<u64>,
}

/// One value with what it is.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Metric {
    /// Name; in data left out where there is an alias.
    #[prost(string, optional, tag = "1")]
    pub name: Option<String>,
    /// A number for the name, unique in a node.
    #[prost(uint64, optional, tag = "2")]
    pub alias: Option<u64>,
    /// When the value was taken, ms since 1970 UTC.
    #[prost(uint64, optional, tag = "3")]
    pub timestamp: Option<u64>,
    /// See [`super::metric`]; in births always.
    #[prost(uint32, optional, tag = "4")]
    pub datatype: Option<u32>,
    /// Kept back by the sender and sent later.
    #[prost(bool, optional, tag = "5")]
    pub is_historical: Option<bool>,
    /// There is no value.
    #[prost(bool, optional, tag = "7")]
    pub is_null: Option<bool>,
    /// Unit, range, quality and whatever else.
    #[prost(message, optional, tag = "9")]
    pub properties: Option<PropertySet>,
    /// The value.
    #[prost(oneof = "Value", tags = "10, 11, 12, 13, 14, 15, 16")]
    pub value: Option<Value>,
}

/// Value of a metric.
#[derive(Clone, PartialEq, prost::Oneof)]
pub enum Value {
    /// Integers of up to 32 bits; signed ones in two's complement.
    #[prost(uint32, tag = "10")]
    Int(u32),
    /// Longer ones.
    #[prost(uint64, tag = "11")]
    Long(u64),
    /// Float.
    #[prost(float, tag = "12")]
    Float(f32),
    /// Double.
    #[prost(double, tag = "13")]
    Double(f64),
    /// Boolean.
    #[prost(bool, tag = "14")]
    Boolean(bool),
    /// Text.
    #[prost(string, tag = "15")]
    Text(String),
    /// Bytes.
    #[prost(bytes = "vec", tag = "16")]
    Bytes(Vec<u8>),
}

/// Properties: two lists of one length.
#[derive(Clone, PartialEq, prost::Message)]
pub struct PropertySet {
    /// Names.
    #[prost(string, repeated, tag = "1")]
    pub keys: Vec<String>,
    /// Values, in the order of the names.
    #[prost(message, repeated, tag = "2")]
    pub values: Vec<PropertyValue>,
}

/// Value of a property. Sets within sets are passed over.
#[derive(Clone, PartialEq, prost::Message)]
pub struct PropertyValue {
    /// Data type, as a metric's.
    #[prost(uint32, optional, tag = "1")]
    pub r#type: Option<u32>,
    /// There is none.
    #[prost(bool, optional, tag = "2")]
    pub is_null: Option<bool>,
    /// The value.
    #[prost(oneof = "Property", tags = "3, 4, 5, 6, 7, 8")]
    pub value: Option<Property>,
}

/// Value of a property.
#[derive(Clone, PartialEq, prost::Oneof)]
pub enum Property {
    /// Integers of up to 32 bits.
    #[prost(uint32, tag = "3")]
    Int(u32),
    /// Longer ones.
    #[prost(uint64, tag = "4")]
    Long(u64),
    /// Float.
    #[prost(float, tag = "5")]
    Float(f32),
    /// Double.
    #[prost(double, tag = "6")]
    Double(f64),
    /// Boolean.
    #[prost(bool, tag = "7")]
    Boolean(bool),
    /// Text.
    #[prost(string, tag = "8")]
    Text(String),
}
