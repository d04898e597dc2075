//! What the resources of a bundle are called, and how they say codes, quantities and references.
//!
//! A resource is named by a UUID made from the exam's code and what the resource is (RFC 9562,
//! version 8, from SHA-256), so that the same finding has the same name in every export of an exam.

use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};

use crate::lexicon::Lexicon;
use crate::lexicon::codes::Code;

/// UCUM, the system of units.
pub const UCUM: &str = "http://unitsofmeasure.org";
/// Why there is no value.
pub const ABSENT: &str = "http://terminology.hl7.org/CodeSystem/data-absent-reason";
/// Categories of observations.
pub const CATEGORY: &str = "http://terminology.hl7.org/CodeSystem/observation-category";
/// What the parts of an observation say; codes of this program.
pub const PART: &str = "urn:cotside:part";
/// Sides; codes of this program.
pub const SIDE: &str = "urn:cotside:side";
/// How a finding stands to what is expected; codes of this program.
pub const GRADE: &str = "urn:cotside:grade";
/// Sure or unsettled; codes of this program.
pub const CERTAINTY: &str = "urn:cotside:certainty";
/// What kind of export this is; codes of this program.
pub const EXPORT: &str = "urn:cotside:export";
/// SHA-256 digests in identifiers.
pub const SHA256: &str = "urn:cotside:sha256";

/// The code system that a lexicon is.
pub fn system(lex: &Lexicon) -> String {
    format!("urn:cotside:lexicon:{}", lex.name)
}

/// Names of the resources of one bundle.
#[derive(Debug, Clone)]
pub struct Names {
    code: String,
}

impl Names {
    /// Of the exam that goes by this code.
    pub fn new(code: &str) -> Self {
        Names { code: code.to_owned() }
    }

    /// The id of a resource.
    pub fn id(&self, what: &str) -> String {
        let digest = Sha256::digest(format!("cotside/fhir/1|{}|{what}", self.code));
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&digest[..16]);
        uuid::Builder::from_custom_bytes(bytes).into_uuid().to_string()
    }

    /// Its full URL.
    pub fn url(&self, what: &str) -> String {
        format!("urn:uuid:{}", self.id(what))
    }

    /// A reference to it.
    pub fn to(&self, what: &str) -> Value {
        json!({ "reference": self.url(what) })
    }
}

/// One code.
pub fn coding(system: &str, code: &str, display: &str) -> Value {
    json!({ "system": system, "code": code, "display": display })
}

/// A published code.
pub fn published(c: &Code) -> Value {
    coding(&c.system, &c.code, &c.say)
}

/// A concept of one code of this program.
pub fn own(system: &str, code: &str, display: &str) -> Value {
    json!({ "coding": [coding(system, code, display)], "text": display })
}

/// A quantity in a unit of UCUM.
pub fn quantity(n: f64, ucum: &str) -> Value {
    // Whole numbers are written as such: 90 and not 90.0.
    #[allow(clippy::cast_possible_truncation)] // checked to be whole and small
    let value = match n.fract() == 0.0 && n.abs() < 1e15 {
        true => json!(n as i64),
        false => json!(n),
    };
    json!({ "value": value, "unit": ucum, "system": UCUM, "code": ucum })
}

/// A score.
pub fn score(n: i32) -> Value {
    quantity(f64::from(n), "{score}")
}

/// Why there is no value: a code of the standard, and the reason in words.
pub fn absent(code: &str, display: &str, text: &str) -> Value {
    json!({ "coding": [coding(ABSENT, code, display)], "text": text })
}

/// Not performed, with the reason.
pub fn not_performed(text: &str) -> Value {
    absent("not-performed", "Not Performed", text)
}

/// A component: what it is about, under which key its value stands, and the value.
pub fn part(code: &str, display: &str, key: &str, value: Value) -> Value {
    let mut out = json!({ "code": own(PART, code, display) });
    out[key] = value;
    out
}
