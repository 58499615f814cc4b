//! Reads the shape of the message types through serde: names, order and types of what goes on the wire.

use std::collections::BTreeMap;
use std::fmt::Display;

use serde::de::{self, Deserialize, Visitor};
use serde::ser::{self, Serialize};

/// What the values shown so far had: type name, then position of the variant or field, then its row.
#[derive(Default)]
pub(crate) struct Shapes(pub(crate) BTreeMap<&'static str, BTreeMap<u32, String>>);

impl Shapes {
    /// Takes a value in; rows of its type and of every type inside are added.
    pub(crate) fn show(&mut self, value: &impl Serialize) {
        value.serialize(Recorder(self)).unwrap();
    }

    fn row(&mut self, name: &'static str, index: u32, row: String) {
        let rows = self.0.entry(name).or_default();
        let known = rows.entry(index).or_insert_with(|| row.clone());
        // `None` tells nothing of what an option holds.
        if known.contains("option of ?") {
            *known = row;
        }
    }
}

/// The names of all variants of an enum or all fields of a struct, as its `Deserialize` asks for them.
pub(crate) fn names<T: for<'de> Deserialize<'de>>() -> (&'static str, &'static [&'static str]) {
    match T::deserialize(Catcher) {
        Err(Caught::Names(name, names)) => (name, names),
        Err(Caught::Other(message)) => panic!("neither enum nor struct: {message}"),
        Ok(_) => panic!("nothing to read, yet a value"),
    }
}

struct Recorder<'a>(&'a mut Shapes);

/// Fields of a struct or of a variant with fields.
struct Fields<'a> {
    shapes: &'a mut Shapes,
    name: &'static str,
    variant: Option<(u32, &'static str)>,
    fields: Vec<(&'static str, String)>,
}

/// Elements of a sequence or tuple: only how many there are and of what type.
struct Elements<'a> {
    shapes: &'a mut Shapes,
    counted: bool,
    types: Vec<String>,
}

#[derive(Debug)]
pub(crate) struct Refused(String);

impl Display for Refused {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}
impl std::error::Error for Refused {}
impl ser::Error for Refused {
    fn custom<T: Display>(message: T) -> Self {
        Self(message.to_string())
    }
}

macro_rules! plain {
    ($($function:ident: $type:ty),* $(,)?) => {
        $(fn $function(self, _: $type) -> Result<String, Refused> { Ok(stringify!($type).to_owned()) })*
    };
}

type Never = ser::Impossible<String, Refused>;

impl<'a> ser::Serializer for Recorder<'a> {
    type Ok = String;
    type Error = Refused;
    type SerializeSeq = Elements<'a>;
    type SerializeTuple = Elements<'a>;
    type SerializeTupleStruct = Never;
    type SerializeTupleVariant = Never;
    type SerializeMap = Never;
    type SerializeStruct = Fields<'a>;
    type SerializeStructVariant = Fields<'a>;

    plain! {
        serialize_bool: bool, serialize_u8: u8, serialize_u16: u16, serialize_u32: u32, serialize_u64: u64,
        serialize_i8: i8, serialize_i16: i16, serialize_i32: i32, serialize_i64: i64,
        serialize_f32: f32, serialize_f64: f64, serialize_char: char, serialize_str: &str, serialize_bytes: &[u8],
    }

    fn collect_str<T: Display + ?Sized>(self, _: &T) -> Result<String, Refused> {
        Ok("&str".to_owned())
    }
    fn serialize_none(self) -> Result<String, Refused> {
        Ok("option of ?".to_owned())
    }
    fn serialize_some<T: Serialize + ?Sized>(self, value: &T) -> Result<String, Refused> {
        Ok(format!("option of {}", value.serialize(self)?))
    }
    fn serialize_unit(self) -> Result<String, Refused> {
        Err(Refused("a unit".into()))
    }
    fn serialize_unit_struct(self, name: &'static str) -> Result<String, Refused> {
        Err(Refused(name.into()))
    }
    fn serialize_unit_variant(
        self,
        name: &'static str,
        index: u32,
        variant: &'static str,
    ) -> Result<String, Refused> {
        self.0.row(name, index, format!("| {index} | `{variant}` | |"));
        Ok(name.to_owned())
    }
    fn serialize_newtype_struct<T: Serialize + ?Sized>(
        self,
        name: &'static str,
        value: &T,
    ) -> Result<String, Refused> {
        let Self(shapes) = self;
        let inner = value.serialize(Recorder(&mut *shapes))?;
        shapes.row(name, 0, format!("| {inner} |"));
        Ok(name.to_owned())
    }
    fn serialize_newtype_variant<T: Serialize + ?Sized>(
        self,
        name: &'static str,
        index: u32,
        variant: &'static str,
        value: &T,
    ) -> Result<String, Refused> {
        let Self(shapes) = self;
        let inner = value.serialize(Recorder(&mut *shapes))?;
        shapes.row(name, index, format!("| {index} | `{variant}` | {inner} |"));
        Ok(name.to_owned())
    }
    fn serialize_seq(self, _: Option<usize>) -> Result<Elements<'a>, Refused> {
        Ok(Elements { shapes: self.0, counted: true, types: Vec::new() })
    }
    fn serialize_tuple(self, _: usize) -> Result<Elements<'a>, Refused> {
        Ok(Elements { shapes: self.0, counted: false, types: Vec::new() })
    }
    fn serialize_tuple_struct(self, name: &'static str, _: usize) -> Result<Never, Refused> {
        Err(Refused(name.into()))
    }
    fn serialize_tuple_variant(
        self,
        name: &'static str,
        _: u32,
        _: &'static str,
        _: usize,
    ) -> Result<Never, Refused> {
        Err(Refused(name.into()))
    }
    fn serialize_map(self, _: Option<usize>) -> Result<Never, Refused> {
        Err(Refused("a map".into()))
    }
    fn serialize_struct(self, name: &'static str, _: usize) -> Result<Fields<'a>, Refused> {
        Ok(Fields { shapes: self.0, name, variant: None, fields: Vec::new() })
    }
    fn serialize_struct_variant(
        self,
        name: &'static str,
        index: u32,
        variant: &'static str,
        _: usize,
    ) -> Result<Fields<'a>, Refused> {
        Ok(Fields { shapes: self.0, name, variant: Some((index, variant)), fields: Vec::new() })
    }
}

impl Fields<'_> {
    fn field<T: Serialize + ?Sized>(&mut self, key: &'static str, value: &T) -> Result<(), Refused> {
        let of_type = value.serialize(Recorder(&mut *self.shapes))?;
        self.fields.push((key, of_type));
        Ok(())
    }
    fn finish(self) -> String {
        if let Some((index, variant)) = self.variant {
            let fields: Vec<_> = self.fields.iter().map(|(key, of)| format!("`{key}` {of}")).collect();
            self.shapes.row(self.name, index, format!("| {index} | `{variant}` | {} |", fields.join(", ")));
        } else {
            for (index, (key, of)) in (0..).zip(&self.fields) {
                self.shapes.row(self.name, index, format!("| `{key}` | {of} |"));
            }
        }
        self.name.to_owned()
    }
}

impl ser::SerializeStruct for Fields<'_> {
    type Ok = String;
    type Error = Refused;
    fn serialize_field<T: Serialize + ?Sized>(
        &mut self,
        key: &'static str,
        value: &T,
    ) -> Result<(), Refused> {
        self.field(key, value)
    }
    fn end(self) -> Result<String, Refused> {
        Ok(self.finish())
    }
}

impl ser::SerializeStructVariant for Fields<'_> {
    type Ok = String;
    type Error = Refused;
    fn serialize_field<T: Serialize + ?Sized>(
        &mut self,
        key: &'static str,
        value: &T,
    ) -> Result<(), Refused> {
        self.field(key, value)
    }
    fn end(self) -> Result<String, Refused> {
        Ok(self.finish())
    }
}

impl Elements<'_> {
    fn element<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), Refused> {
        let of_type = value.serialize(Recorder(&mut *self.shapes))?;
        self.types.push(of_type);
        Ok(())
    }
    fn finish(mut self) -> String {
        let count = self.types.len();
        self.types.dedup();
        match (self.counted, self.types.as_slice()) {
            (true, [of]) => format!("list of {of}"),
            (false, [of]) => format!("{count} × {of}"),
            _ => "option of ?".to_owned(),
        }
    }
}

impl ser::SerializeSeq for Elements<'_> {
    type Ok = String;
    type Error = Refused;
    fn serialize_element<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), Refused> {
        self.element(value)
    }
    fn end(self) -> Result<String, Refused> {
        Ok(self.finish())
    }
}

impl ser::SerializeTuple for Elements<'_> {
    type Ok = String;
    type Error = Refused;
    fn serialize_element<T: Serialize + ?Sized>(&mut self, value: &T) -> Result<(), Refused> {
        self.element(value)
    }
    fn end(self) -> Result<String, Refused> {
        Ok(self.finish())
    }
}

struct Catcher;

#[derive(Debug)]
enum Caught {
    Names(&'static str, &'static [&'static str]),
    Other(String),
}

impl Display for Caught {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{self:?}")
    }
}
impl std::error::Error for Caught {}
impl de::Error for Caught {
    fn custom<T: Display>(message: T) -> Self {
        Self::Other(message.to_string())
    }
}

impl<'de> de::Deserializer<'de> for Catcher {
    type Error = Caught;

    fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, Caught> {
        Err(Caught::Other("something without names".into()))
    }
    fn deserialize_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        fields: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Caught> {
        Err(Caught::Names(name, fields))
    }
    fn deserialize_enum<V: Visitor<'de>>(
        self,
        name: &'static str,
        variants: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Caught> {
        Err(Caught::Names(name, variants))
    }

    serde::forward_to_deserialize_any! {
        bool i8 i16 i32 i64 u8 u16 u32 u64 f32 f64 char str string bytes byte_buf option unit unit_struct
        newtype_struct seq tuple tuple_struct map identifier ignored_any
    }
}
