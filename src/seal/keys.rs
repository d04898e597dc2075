//! The examiner's key: made, kept under a passphrase, opened again.
//!
//! A key is two files in the folder of keys, named by the owner's initials: `KT.key.pem`, the private
//! key as an encrypted PKCS #8 structure (RFC 5958) in PEM (RFC 7468), and `KT.pub.pem`, the public key
//! (RFC 5280 SubjectPublicKeyInfo, RFC 8410). The passphrase goes through scrypt (RFC 7914) and
//! AES-256-CBC in the scheme PBES2 (RFC 8018), so that other programs can open it too.

use std::path::{Path, PathBuf};

use ed25519_dalek::pkcs8::{DecodePrivateKey as _, EncodePrivateKey as _, KeypairBytes};
use ed25519_dalek::{SigningKey, VerifyingKey};
use pkcs8::pkcs5::pbes2;
use pkcs8::{DecodePublicKey as _, EncodePublicKey as _, LineEnding};
use zeroize::Zeroizing;

use super::error::SealError;
use super::folder::open_to_others;
use crate::journal::{Digest, Storage};

/// Fewest characters of a passphrase: what NIST SP 800-63B (2017), 5.1.1.2, asks of a memorised secret.
pub const SHORTEST: usize = 8;

/// scrypt's cost: 16 MiB of memory, five times over. One of the equal settings OWASP's password storage
/// cheat sheet gives (from memory), and the largest memory that OpenSSL takes from a file.
const SCRYPT: (u8, u32, u32) = (14, 8, 5);

/// The environment variable that names another folder of keys.
pub const FOLDER_VARIABLE: &str = "COTSIDE_KEYS";

/// The folder of keys.
#[derive(Debug, Clone)]
pub struct KeyFolder {
    /// Where it is.
    pub dir: PathBuf,
}

/// A key's public half, with whose it is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PublicKey {
    /// Initials of the owner.
    pub who: String,
    /// The key.
    pub key: VerifyingKey,
}

impl PublicKey {
    /// The key's fingerprint.
    pub fn fingerprint(&self) -> Digest {
        fingerprint(&self.key)
    }

    /// The key in PEM.
    pub fn pem(&self) -> String {
        self.key.to_public_key_pem(LineEnding::LF).unwrap_or_default()
    }
}

/// SHA-256 of the public key in its standard form (RFC 8410, DER).
pub fn fingerprint(key: &VerifyingKey) -> Digest {
    // The form is a fixed head and the key's 32 bytes: making it cannot fail.
    key.to_public_key_der().map_or(Digest::ZERO, |der| Digest::of(der.as_bytes()))
}

/// A fingerprint as people compare it: in groups of four. The whole of it, or its first 16 digits.
pub fn grouped(fingerprint: &Digest, whole: bool) -> String {
    let text = fingerprint.to_string();
    let text = if whole { text.as_str() } else { &text[..16] };
    let groups: Vec<&str> =
        (0..text.len()).step_by(4).map(|k| &text[k..(k + 4).min(text.len())]).collect();
    groups.join(" ")
}

/// Reads a public key in PEM; text before and after it is passed over, as RFC 7468 says.
///
/// # Errors
/// [`SealError::Refused`].
pub fn read_public(path: &Path, bytes: &[u8]) -> Result<VerifyingKey, SealError> {
    let no = |message: &str| {
        SealError::refused(path, message, "give the file that `cotside key export` wrote")
    };
    let text = std::str::from_utf8(bytes).map_err(|_| no("this is no key: it is not text"))?;
    if text.contains("PRIVATE KEY") {
        return Err(no("this is a private key, which its owner gives to nobody"));
    }
    VerifyingKey::from_public_key_pem(text.trim())
        .map_err(|_| no("this is no Ed25519 public key in PEM"))
}

/// Whether initials can name a file.
fn check_name(who: &str) -> Result<(), SealError> {
    let plain = |c: char| c.is_alphanumeric() || matches!(c, '-' | '.');
    match !who.is_empty()
        && !who.starts_with('.')
        && who.chars().count() <= 12
        && who.chars().all(plain)
    {
        true => Ok(()),
        false => Err(SealError::refused(
            Path::new(who),
            "these initials cannot name a key",
            "use up to 12 letters, digits and dashes, such as KT",
        )),
    }
}

impl KeyFolder {
    /// The user's own: [`FOLDER_VARIABLE`], else `cotside/keys` where the system keeps a user's data.
    ///
    /// # Errors
    /// [`SealError::Refused`] when the system names no such place.
    pub fn own() -> Result<Self, SealError> {
        if let Some(dir) = std::env::var_os(FOLDER_VARIABLE).filter(|d| !d.is_empty()) {
            return Ok(KeyFolder { dir: dir.into() });
        }
        let dir = dirs::data_dir().map(|d| d.join("cotside").join("keys")).ok_or_else(|| {
            SealError::refused(
                Path::new(FOLDER_VARIABLE),
                "this system names no folder for a user's data",
                "name a folder for keys in this environment variable",
            )
        })?;
        Ok(KeyFolder { dir })
    }

    /// Where the private key of these initials is.
    pub fn private_path(&self, who: &str) -> PathBuf {
        self.dir.join(format!("{who}.key.pem"))
    }

    /// Where the public key of these initials is.
    pub fn public_path(&self, who: &str) -> PathBuf {
        self.dir.join(format!("{who}.pub.pem"))
    }

    /// Makes the folder, for its owner alone.
    pub(super) fn make(&self, storage: &dyn Storage) -> Result<(), SealError> {
        if let Some(above) = self.dir.parent().filter(|p| !p.as_os_str().is_empty()) {
            std::fs::create_dir_all(above)
                .map_err(|e| SealError::io("make this folder", above, &e))?;
        }
        match storage.create_dir(&self.dir) {
            Err(e) if e.kind() != std::io::ErrorKind::AlreadyExists => {
                Err(SealError::io("make this folder", &self.dir, &e))
            }
            _ => self.check_modes(None),
        }
    }

    /// Refuses a folder or a private key that others than the owner can use.
    fn check_modes(&self, private: Option<&Path>) -> Result<(), SealError> {
        for (path, right) in [(Some(self.dir.as_path()), "700"), (private, "600")]
            .into_iter()
            .filter_map(|(p, r)| Some((p?, r)))
        {
            let mode = open_to_others(path)
                .map_err(|e| SealError::io("see who may read this", path, &e))?;
            if let Some(mode) = mode {
                return Err(SealError::refused(
                    path,
                    format!("others on this machine can use it (mode {mode:04o})"),
                    &format!(
                        "make it yours alone: chmod {right} {}; if others may have read the key, \
                         make a new one",
                        path.display()
                    ),
                ));
            }
        }
        Ok(())
    }

    /// Makes a key and keeps it under the passphrase. Nothing is written over.
    ///
    /// # Errors
    /// [`SealError::Refused`] when there is a key of these initials, or the passphrase is too short;
    /// [`SealError::Io`].
    pub fn new_key(
        &self,
        storage: &dyn Storage,
        who: &str,
        passphrase: &str,
    ) -> Result<PublicKey, SealError> {
        check_name(who)?;
        check_passphrase(passphrase)?;
        self.make(storage)?;
        let (private, public) = (self.private_path(who), self.public_path(who));
        for path in [&private, &public] {
            if storage.exists(path).map_err(|e| SealError::io("look for a key", path, &e))? {
                return Err(SealError::refused(
                    path,
                    format!("there is a key of {who} already"),
                    "use it, or make one for other initials; no key is ever written over",
                ));
            }
        }
        let odd = |what: &str| SealError::refused(&private, format!("cannot {what}"), "try again");
        let mut seed = Zeroizing::new([0_u8; 32]);
        getrandom::fill(seed.as_mut()).map_err(|_| odd("get random bytes from the system"))?;
        let key = SigningKey::from_bytes(&seed);
        let pem =
            encrypted(&key, passphrase).map_err(|_| odd("put the key into its file's form"))?;
        let own = PublicKey { who: who.to_owned(), key: key.verifying_key() };
        for (path, text) in [(&private, pem.as_str()), (&public, own.pem().as_str())] {
            let fail = |e: std::io::Error| SealError::io("write this key", path, &e);
            let mut file = storage.create_new(path).map_err(fail)?;
            file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(fail)?;
        }
        let synced = storage.sync_dir(&self.dir);
        synced.map_err(|e| SealError::io("make the folder durable", &self.dir, &e))?;
        Ok(own)
    }

    /// The keys whose private half is here, by initials.
    ///
    /// # Errors
    /// [`SealError::Refused`] for a public key that is none; [`SealError::Io`].
    pub fn list(&self, storage: &dyn Storage) -> Result<Vec<PublicKey>, SealError> {
        let listed = match storage.list(&self.dir) {
            Ok(listed) => listed,
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => return Ok(Vec::new()),
            Err(e) => return Err(SealError::io("list the keys", &self.dir, &e)),
        };
        let names = listed.iter().filter_map(|l| l.name.to_str()?.strip_suffix(".key.pem"));
        names.map(|who| self.public(storage, who)).collect()
    }

    /// The public key of these initials.
    ///
    /// # Errors
    /// [`SealError::Refused`] when there is none; [`SealError::Io`].
    pub fn public(&self, storage: &dyn Storage, who: &str) -> Result<PublicKey, SealError> {
        check_name(who)?;
        let path = self.public_path(who);
        let bytes = storage.read(&path).map_err(|e| match e.kind() {
            std::io::ErrorKind::NotFound => no_key(&self.dir, who),
            _ => SealError::io("read this key", &path, &e),
        })?;
        Ok(PublicKey { who: who.to_owned(), key: read_public(&path, &bytes)? })
    }

    /// Whether the key of these initials can be asked for; called before a passphrase is.
    ///
    /// # Errors
    /// As [`KeyFolder::public`]; [`SealError::Refused`] when others can use the folder or the key.
    pub fn check(&self, storage: &dyn Storage, who: &str) -> Result<PublicKey, SealError> {
        let public = self.public(storage, who)?;
        let path = self.private_path(who);
        if !storage.exists(&path).map_err(|e| SealError::io("look for a key", &path, &e))? {
            return Err(no_key(&self.dir, who));
        }
        self.check_modes(Some(&path))?;
        Ok(public)
    }

    /// Opens the private key of these initials.
    ///
    /// # Errors
    /// As [`KeyFolder::check`]; [`SealError::Refused`] when the passphrase does not open it, or the
    /// public key beside it is another.
    pub fn open(
        &self,
        storage: &dyn Storage,
        who: &str,
        passphrase: &str,
    ) -> Result<SigningKey, SealError> {
        let public = self.check(storage, who)?;
        let path = self.private_path(who);
        let pem = Zeroizing::new(
            storage.read(&path).map_err(|e| SealError::io("read this key", &path, &e))?,
        );
        let text = std::str::from_utf8(&pem).ok().filter(|t| t.contains("ENCRYPTED PRIVATE KEY"));
        let Some(text) = text else {
            return Err(SealError::refused(
                &path,
                "this is no private key under a passphrase",
                "bring the file back from a copy, or make another key with `cotside key new`",
            ));
        };
        let key = SigningKey::from_pkcs8_encrypted_pem(text.trim(), passphrase).map_err(|_| {
            SealError::refused(
                &path,
                "the passphrase does not open this key",
                "type it again; it cannot be told from the file, and nothing was signed",
            )
        })?;
        match key.verifying_key() == public.key {
            true => Ok(key),
            false => Err(SealError::refused(
                &self.public_path(who),
                "this public key does not belong to the private key beside it",
                "bring both files back from one copy",
            )),
        }
    }
}

/// Refuses a passphrase that is too short.
///
/// # Errors
/// [`SealError::Refused`].
pub fn check_passphrase(passphrase: &str) -> Result<(), SealError> {
    match passphrase.chars().count() >= SHORTEST {
        true => Ok(()),
        false => Err(SealError::refused(
            Path::new("passphrase"),
            format!("it has fewer than {SHORTEST} characters"),
            "several words in a row are long enough and easy to keep in mind",
        )),
    }
}

fn no_key(dir: &Path, who: &str) -> SealError {
    SealError::refused(
        dir,
        format!("there is no key of {who} here"),
        &format!("make one: cotside key new --by {who}"),
    )
}

fn encrypted(key: &SigningKey, passphrase: &str) -> pkcs8::Result<Zeroizing<String>> {
    let (mut salt, mut iv) = ([0_u8; 16], [0_u8; 16]);
    let random = |bytes: &mut [u8]| {
        getrandom::fill(bytes).map_err(|_| pkcs8::Error::KeyMalformed(pkcs8::KeyError::Invalid))
    };
    random(&mut salt)?;
    random(&mut iv)?;
    let (log_n, r, p) = SCRYPT;
    let cost = scrypt::Params::new(log_n, r, p).map_err(|_| pkcs8::Error::ParametersMalformed)?;
    let parameters = pbes2::Parameters::generate_scrypt_aes256cbc(cost, &salt, iv)
        .map_err(|_| pkcs8::Error::ParametersMalformed)?;
    // Without the public key inside, as in RFC 8410, section 10.3: not every program takes the other form.
    let der = KeypairBytes { secret_key: key.to_bytes(), public_key: None }.to_pkcs8_der()?;
    let info = pkcs8::PrivateKeyInfoRef::try_from(der.as_bytes())
        .map_err(|_| pkcs8::Error::ParametersMalformed)?;
    let sealed = info.encrypt_with_params(parameters, passphrase)?;
    Ok(sealed.to_pem("ENCRYPTED PRIVATE KEY", LineEnding::LF)?)
}
