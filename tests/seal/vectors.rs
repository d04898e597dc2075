//! Algorithms against published vectors, through the functions the program signs and checks with; keys
//! and seals against OpenSSL.

use std::process::Command;

use cotside::journal::Digest;
use cotside::seal::statement::{fits, sign_bytes};
use ed25519_dalek::{SigningKey, VerifyingKey};

use crate::support::Bench;

fn hex(text: &str) -> Vec<u8> {
    let digits: Vec<u32> = text.chars().filter_map(|c| c.to_digit(16)).collect();
    digits.chunks(2).map(|d| (d[0] * 16 + d[1]) as u8).collect()
}

/// RFC 8032, section 7.1, TEST 1 to 3 and TEST SHA(abc): secret key, public key, message, signature. Written
/// from memory; a wrong digit would not verify.
const RFC_8032: [[&str; 4]; 4] = [
    [
        "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
        "",
        "e5564300c360ac729086e2cc806e828a84877f1eb8e5d974d873e065224901555fb8821590a33bacc61e39701cf9b46bd25bf5f0595bbe24655141438e7a100b",
    ],
    [
        "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
        "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
        "72",
        "92a009a9f0d4cab8720e820b5f642540a2b27b5416503f8fb3762223ebdb69da085ac1e43e15996e458f3613d0f11d8c387b2eaeb4302aeeb00d291612bb0c00",
    ],
    [
        "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
        "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
        "af82",
        "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a",
    ],
    [
        "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
        "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f",
        "dc2a4459e7369633a52b1bf277839a00201009a3efbf3ecb69bea2186c26b58909351fc9ac90b3ecfdfbc7c66431e0303dca179c138ac17ad9bef1177331a704",
    ],
];

#[test]
fn signatures_are_those_of_rfc_8032() {
    for [secret, public, message, signature] in RFC_8032 {
        let key = SigningKey::from_bytes(&hex(secret).try_into().unwrap());
        let message = hex(message);
        assert_eq!(key.verifying_key().as_bytes().to_vec(), hex(public));
        let made = sign_bytes(&key, &message);
        assert_eq!(made.to_vec(), hex(signature));
        let public = VerifyingKey::from_bytes(&hex(public).try_into().unwrap()).unwrap();
        assert!(fits(&public, &message, &made));
        for bit in 0..512 {
            let mut wrong = made;
            wrong[bit / 8] ^= 1 << (bit % 8);
            assert!(!fits(&public, &message, &wrong), "bit {bit}");
        }
        let mut longer = message.clone();
        longer.push(0);
        assert!(!fits(&public, &longer, &made));
    }
}

#[test]
fn a_signature_has_one_spelling() {
    // RFC 8032, section 5.1.7, step 1: S beyond the group's order L is refused; S + L would fit else.
    let [secret, _, message, _] = RFC_8032[1];
    let key = SigningKey::from_bytes(&hex(secret).try_into().unwrap());
    let message = hex(message);
    let mut signature = sign_bytes(&key, &message);
    // L = 2^252 + 27742317777372353535851937790883648493 (RFC 8032, section 5.1), little-endian.
    let order = hex("edd3f55c1a631258d69cf7a2def9de1400000000000000000000000000000010");
    let mut carry = 0_u16;
    for (byte, add) in signature[32..].iter_mut().zip(order) {
        let sum = u16::from(*byte) + u16::from(add) + carry;
        (*byte, carry) = (sum as u8, sum >> 8);
    }
    assert_eq!(carry, 0);
    assert!(!fits(&key.verifying_key(), &message, &signature));
}

/// NIST CAVP SHAVS, `SHA256ShortMsg.rsp`, Len = 8 to 40, from memory, checked with coreutils
/// `sha256sum`; FIPS 180-4's own examples are in `tests/journal.rs`.
#[test]
fn digests_of_files_are_those_of_nist() {
    for (message, digest) in [
        ("d3", "28969cdfa74a12c82f3bad960b0b000aca2ac329deea5c2328ebc6f2ba9802c1"),
        ("11af", "5ca7133fa735326081558ac312c620eeca9970d1e70a4b95533d956f072d1f98"),
        ("b4190e", "dff2e73091f6c05e528896c4c831b9448653dc2ff043528f6769437bc7b975c2"),
        ("74ba2521", "b16aa56be3880d18cd41e68384cf1ec8c17680c45a02b1575dc1518923ae8b0e"),
        ("c299209682", "f0887fe961c9cd3beab957e8222494abb969b1ce4c6557976df8b0f6d20e9166"),
    ] {
        let of = cotside::seal::folder::of("f", &hex(message));
        assert_eq!(of.sha256.to_string(), digest);
        assert_eq!(of.sha256, Digest::of(&hex(message)));
    }
}

/// Whether a program of the system is there; says so when it is not.
fn there(program: &str) -> bool {
    let found = Command::new(program).arg("version").output().is_ok();
    if !found {
        eprintln!("SKIPPED: there is no {program} here");
    }
    found
}

#[test]
fn openssl_opens_the_key_and_finds_the_signature_right() {
    if !there("openssl") {
        return;
    }
    let bench = Bench::new();
    let disk = crate::fixture::unsigned("DEMO-1");
    let folder = cotside::seal::keys::KeyFolder { dir: bench.path("keys") };
    let storage = cotside::journal::FileSystem;
    folder.new_key(&storage, "KT", "four plain words here").unwrap();
    let own = folder.open(&storage, "KT", "four plain words here").unwrap();
    let openssl = |args: &[&str]| {
        let ran = Command::new("openssl").args(args).current_dir(bench.path("")).output().unwrap();
        (ran.status.success(), String::from_utf8_lossy(&ran.stdout).into_owned())
    };
    bench.file("pass", "four plain words here\n").file("wrong", "five plain words here\n");
    let open = ["pkey", "-in", "keys/KT.key.pem", "-pubout", "-passin"];
    let (opened, public) = openssl(&[&open[..], &["file:pass"]].concat());
    assert!(opened);
    assert_eq!(public, bench.text("keys/KT.pub.pem"));
    assert!(!openssl(&[&open[..], &["file:wrong"]].concat()).0);

    let order = cotside::seal::sign::NoteToSign {
        who: "KT",
        key: &own,
        note: "a note, mit Umlauten: äöü",
        lexicon: cotside::journal::LexiconRef { name: "demo".into(), sha256: Digest::of(b"x") },
        incomplete: Some("why \"so\"".into()),
        remove_audio: false,
    };
    let dir = std::path::Path::new(crate::fixture::DIR);
    let taken = crate::fixture::taken(&disk, 20).unwrap();
    cotside::seal::sign::sign(&disk, dir, taken, &order).unwrap();
    let facts = cotside::seal::facts_in(&disk, dir).unwrap();
    bench.file("message", &facts[0].signed_bytes).file("signature", facts[0].signature);
    let check = [
        "pkeyutl",
        "-verify",
        "-pubin",
        "-inkey",
        "keys/KT.pub.pem",
        "-rawin",
        "-sigfile",
        "signature",
        "-in",
    ];
    assert!(openssl(&[&check[..], &["message"]].concat()).0);
    bench.file("other", [&facts[0].signed_bytes[..], b" "].concat());
    assert!(!openssl(&[&check[..], &["other"]].concat()).0);
}

#[test]
fn a_key_under_pbkdf2_made_by_openssl_signs_too() {
    if !there("openssl") {
        return;
    }
    let bench = Bench::new();
    bench.file("pass", "four plain words here\n");
    let folder = cotside::seal::keys::KeyFolder { dir: bench.path("keys") };
    let storage = cotside::journal::FileSystem;
    folder.new_key(&storage, "CD", "four plain words here").unwrap();
    std::fs::remove_file(bench.path("keys/CD.key.pem")).unwrap();
    std::fs::remove_file(bench.path("keys/CD.pub.pem")).unwrap();
    let run = |args: &str| {
        let args: Vec<&str> = args.split(' ').collect();
        let ran = Command::new("openssl").args(&args).current_dir(bench.path("")).output().unwrap();
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
    };
    run("genpkey -algorithm ed25519 -out plain.pem");
    run(
        "pkcs8 -topk8 -v2 aes-256-cbc -v2prf hmacWithSHA256 -iter 10000 -in plain.pem -out keys/CD.key.pem -passout file:pass",
    );
    run("pkey -in plain.pem -pubout -out keys/CD.pub.pem");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let only = std::fs::Permissions::from_mode(0o600);
        std::fs::set_permissions(bench.path("keys/CD.key.pem"), only).unwrap();
    }
    let key = folder.open(&storage, "CD", "four plain words here").unwrap();
    assert_eq!(key.verifying_key(), folder.public(&storage, "CD").unwrap().key);
}
