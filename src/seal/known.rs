//! Whose keys are known: the public keys a person has said to trust, with initials.
//!
//! `known-keys.toml` in the folder of keys; a key comes into it when it is made here, or by
//! `cotside key trust`. Nothing else is trusted: not a key that stands in a seal, nor one in the folder.

use std::path::{Path, PathBuf};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ed25519_dalek::VerifyingKey;
use serde::{Deserialize, Serialize};

use super::error::SealError;
use super::folder::{open_to_others, part};
use super::keys::{KeyFolder, PublicKey, fingerprint, grouped};
use super::statement::public_text;
use crate::journal::{Digest, Storage};

/// Name of the file within the folder of keys.
const FILE: &str = "known-keys.toml";

/// The known keys.
#[derive(Debug, Clone, Default)]
pub struct KnownKeys {
    keys: Vec<PublicKey>,
}

#[derive(Debug, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    #[serde(default)]
    key: Vec<Row>,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    who: String,
    fingerprint: Digest,
    public_key: String,
}

/// Where the known keys stand.
pub fn path(folder: &KeyFolder) -> PathBuf {
    folder.dir.join(FILE)
}

impl KnownKeys {
    /// Reads the known keys; none where there is no file.
    ///
    /// # Errors
    /// [`SealError::Refused`] when others than the owner can write the file or its folder, or it is not
    /// what this room writes; [`SealError::Io`].
    pub fn read(storage: &dyn Storage, folder: &KeyFolder) -> Result<Self, SealError> {
        let path = path(folder);
        let bytes = match storage.read(&path) {
            Ok(bytes) => bytes,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(KnownKeys::default()),
            Err(e) => return Err(SealError::io("read the known keys", &path, &e)),
        };
        for p in [&folder.dir, &path] {
            not_written_by_others(p)?;
        }
        let help = "bring the file back from a copy, or trust the keys again";
        let no = |message: String| SealError::refused(&path, message, help);
        let text = String::from_utf8(bytes).map_err(|_| no("is not UTF-8 text".into()))?;
        let written: Written = toml::from_str(&text).map_err(|e| no(e.message().to_owned()))?;
        let mut keys = Vec::new();
        for row in written.key {
            let bytes = STANDARD.decode(&row.public_key).ok().and_then(|b| b.try_into().ok());
            let key = bytes.and_then(|b: [u8; 32]| VerifyingKey::from_bytes(&b).ok());
            let key = key.filter(|k| fingerprint(k) == row.fingerprint).ok_or_else(|| {
                no(format!("the key of {} does not fit its fingerprint", row.who))
            })?;
            keys.push(PublicKey { who: row.who, key });
        }
        Ok(KnownKeys { keys })
    }

    /// The keys, in the order they came to be known.
    pub fn keys(&self) -> &[PublicKey] {
        &self.keys
    }

    /// Whose key this is.
    pub fn whose(&self, key: &[u8; 32]) -> Option<&str> {
        self.keys.iter().find(|k| k.key.as_bytes() == key).map(|k| k.who.as_str())
    }

    /// Adds a key and writes the file anew, in one step. Whether it was not known before.
    ///
    /// # Errors
    /// [`SealError::Refused`] when it is known as another's; [`SealError::Io`].
    pub fn trust(
        &mut self,
        storage: &dyn Storage,
        folder: &KeyFolder,
        key: PublicKey,
    ) -> Result<bool, SealError> {
        let path = path(folder);
        if key.key.is_weak() {
            return Err(SealError::refused(
                &path,
                "this key is of the few under which anything verifies",
                "ask its owner for another",
            ));
        }
        match self.whose(key.key.as_bytes()) {
            Some(who) if who == key.who => return Ok(false),
            Some(who) => {
                return Err(SealError::refused(
                    &path,
                    format!("the key {} is known as {who}'s", grouped(&key.fingerprint(), false)),
                    "a key belongs to one person: find out whose it is",
                ));
            }
            None => {}
        }
        folder.make(storage)?;
        self.keys.push(key);
        let rows = self.keys.iter().map(|k| Row {
            who: k.who.clone(),
            fingerprint: k.fingerprint(),
            public_key: public_text(&k.key),
        });
        let written = Written { key: rows.collect() };
        let text = toml::to_string(&written)
            .map_err(|e| SealError::refused(&path, e.to_string(), "try again"))?;
        super::folder::write_part(storage, &folder.dir, FILE, text.as_bytes())?;
        storage
            .rename(&folder.dir.join(part(FILE)), &path)
            .and_then(|()| storage.sync_dir(&folder.dir))
            .map_err(|e| SealError::io("write the known keys", &path, &e))?;
        Ok(true)
    }
}

fn not_written_by_others(path: &Path) -> Result<(), SealError> {
    let mode =
        open_to_others(path).map_err(|e| SealError::io("see who may write this", path, &e))?;
    match mode.filter(|m| m & 0o022 != 0) {
        None => Ok(()),
        Some(mode) => Err(SealError::refused(
            path,
            format!("others on this machine can write it (mode {mode:04o})"),
            &format!(
                "chmod go-w {}, and look with `cotside key show` whether every key in it is one \
                 you trust",
                path.display()
            ),
        )),
    }
}
