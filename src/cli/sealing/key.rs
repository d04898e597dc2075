//! `cotside key`: make, show, hand out, and take as known.

use super::super::exit::{Exit, Failure, Outcome};
use super::super::output;
use super::{KeyAct, KeyArgs, known, secret};
use crate::journal::FileSystem;
use crate::seal::keys::{self, PublicKey, grouped};
use crate::seal::known;

/// Runs the command.
pub fn run(args: &KeyArgs) -> Outcome {
    let (folder, mut known) = known()?;
    match &args.act {
        KeyAct::New { by, passphrase } => {
            let passphrase = secret::new(passphrase, &format!("{by}'s key"))?;
            let key = folder.new_key(&FileSystem, by, &passphrase)?;
            known.trust(&FileSystem, &folder, key.clone())?;
            let mut out = format!("key of {by}, kept in {}\n", folder.private_path(by).display());
            out += &fingerprint(&key);
            out += &format!("next: cotside key export --by {by} -o {by}.pub.pem\n");
            output::put(&out)?;
        }
        KeyAct::Show => {
            let own = folder.list(&FileSystem)?;
            let mut out = format!("keys in {}\n", folder.dir.display());
            let mut others: Vec<&PublicKey> = known.keys().iter().collect();
            for key in &own {
                others.retain(|k| *k != key);
                let here = match known.whose(key.key.as_bytes()) {
                    Some(_) => "yours, known",
                    None => "yours, not known: cotside key trust takes it",
                };
                out += &format!("{} ({here})\n{}", key.who, fingerprint(key));
            }
            for key in others {
                out += &format!("{} (known)\n{}", key.who, fingerprint(key));
            }
            if own.is_empty() && known.keys().is_empty() {
                out += "none yet: cotside key new --by INITIALS\n";
            }
            output::put(&out)?;
        }
        KeyAct::Export { by, output: to } => {
            let key = folder.public(&FileSystem, by)?;
            output::deliver(to.as_deref(), &key.pem())?;
            output::tell(&format!(
                "read the fingerprint to whoever takes it: {}",
                grouped(&key.fingerprint(), true)
            ));
        }
        KeyAct::Trust { file, by } => {
            let bytes =
                std::fs::read(file).map_err(|e| Failure::file(file, "read this key", &e))?;
            let key = PublicKey { who: by.clone(), key: keys::read_public(file, &bytes)? };
            let fresh = known.trust(&FileSystem, &folder, key.clone())?;
            let mut out = match fresh {
                true => {
                    format!("known from now on as {by}'s, in {}\n", known::path(&folder).display())
                }
                false => format!("known already as {by}'s\n"),
            };
            out += &fingerprint(&key);
            out += &format!("compare it with what {by} reads from `cotside key show`\n");
            output::put(&out)?;
        }
    }
    Ok(Exit::Ok)
}

/// The whole fingerprint in two lines.
fn fingerprint(key: &PublicKey) -> String {
    let whole = grouped(&key.fingerprint(), true);
    let (first, second) = whole.split_at(whole.len() / 2);
    format!("  {}\n  {}\n", first.trim(), second.trim())
}
