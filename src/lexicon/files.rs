//! Finds the files of a lexicon: the ones carried inside the program, or a folder of the user's.

use std::path::Path;

use include_dir::{Dir, include_dir};
use sha2::{Digest, Sha256};

use super::schema;
use crate::problem::Problem;

/// Folder of the scales, inside that of a lexicon.
const SCALES: &str = "scales";

static SHIPPED: Dir<'_> = include_dir!("$CARGO_MANIFEST_DIR/lexicon");

/// A file carried inside the program, by its path under `lexicon/`; empty when there is none, which
/// a test rules out.
pub fn carried(path: &str) -> &'static [u8] {
    SHIPPED.get_file(path).map_or(&[], include_dir::File::contents)
}

/// A text carried inside the program, by its path under `lexicon/`.
pub fn carried_text(path: &str) -> &'static str {
    SHIPPED.get_file(path).and_then(include_dir::File::contents_utf8).unwrap_or_default()
}

/// One file of a lexicon.
#[derive(Debug, Clone)]
pub struct SourceFile {
    /// Path as shown in messages.
    pub path: String,
    /// Text.
    pub text: String,
}

impl SourceFile {
    /// A problem at a byte of this file.
    pub fn problem(&self, byte: usize, message: impl Into<String>) -> Problem {
        let before = &self.text[..self.text.floor_char_boundary(byte.min(self.text.len()))];
        let line = before.matches('\n').count() + 1;
        let start = before.rfind('\n').map_or(0, |i| i + 1);
        let column = before[start..].chars().count() + 1;
        let text = self.text[start..].lines().next().unwrap_or_default();
        Problem::at(&self.path, line, column, message).excerpt(text)
    }
}

/// The files of a lexicon and of its language layer.
#[derive(Debug, Clone)]
pub struct Files {
    /// Files of the lexicon itself, then of the language layer, then of personal layers.
    pub files: Vec<SourceFile>,
    /// How many of them belong to the lexicon itself.
    pub own: usize,
    /// Growth references: the `.csv` and `.toml` files of the lexicon's folder `references`.
    pub references: Vec<SourceFile>,
    /// Files of its folder `scales`, one published scale each; the room that scores reads them.
    pub scales: Vec<SourceFile>,
}

impl Files {
    /// The lexicon of that name carried inside the program.
    ///
    /// # Errors
    /// When there is none of that name, or its language layer is missing.
    pub fn shipped(name: &str) -> Result<Files, Vec<Problem>> {
        let own = shipped_folder(name).ok_or_else(|| {
            let known: Vec<&str> = SHIPPED
                .dirs()
                .filter(|d| d.get_file(d.path().join("lexicon.toml")).is_some())
                .filter_map(|d| d.path().to_str())
                .collect();
            vec![
                Problem::in_file(
                    format!("lexicon/{name}"),
                    "there is no shipped lexicon of this name",
                )
                .help(format!(
                    "shipped: {}; or name a folder with --lexicon DIR",
                    known.join(", ")
                )),
            ]
        })?;
        let mut files = Files::with_language(own, None)?;
        files.scales = shipped_folder(&format!("{name}/{SCALES}")).unwrap_or_default();
        files.references = shipped_files(&format!("{name}/{REFERENCES}"), &["csv", "toml"]);
        Ok(files)
    }

    /// A lexicon in a folder. Its language layer is looked for beside it, then among the shipped.
    ///
    /// # Errors
    /// When the folder or a file in it cannot be read.
    pub fn folder(dir: &Path) -> Result<Files, Vec<Problem>> {
        let mut files = Files::with_language(read_folder(dir)?, dir.parent())?;
        let (scales, references) = (dir.join(SCALES), dir.join(REFERENCES));
        if scales.is_dir() {
            files.scales = read_folder(&scales)?;
        }
        if references.is_dir() {
            files.references = read_files(&references, &["csv", "toml"])?;
        }
        Ok(files)
    }

    /// One file, such as a growth reference of the user's.
    ///
    /// # Errors
    /// When it cannot be read or is no UTF-8 text.
    pub fn one(path: &Path) -> Result<SourceFile, Problem> {
        read_file(path)
    }

    /// Lays a personal file over the lexicon.
    ///
    /// # Errors
    /// When it cannot be read or is no UTF-8 text.
    pub fn layer(&mut self, path: &Path) -> Result<(), Problem> {
        self.files.push(read_file(path)?);
        Ok(())
    }

    /// Lexicon and language layer from texts, for tests.
    ///
    /// # Errors
    /// When the language layer it names is not shipped.
    pub fn from_texts(own: &[(&str, &str)]) -> Result<Files, Vec<Problem>> {
        let own =
            own.iter().map(|(p, t)| SourceFile { path: (*p).into(), text: (*t).into() }).collect();
        Files::with_language(own, None)
    }

    fn with_language(own: Vec<SourceFile>, beside: Option<&Path>) -> Result<Files, Vec<Problem>> {
        // Most files of a lexicon are long and have no head; they are read later, once.
        let may_have_head = |f: &&SourceFile| f.text.contains("lexicon");
        let language = own
            .iter()
            .filter(may_have_head)
            .find_map(|f| toml::from_str::<schema::File>(&f.text).ok()?.lexicon)
            .map_or("english".to_owned(), |h| h.language.into_inner());
        let n = own.len();
        let mut files = own;
        let plain = !language.is_empty()
            && language.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
        let layer = beside
            .filter(|_| plain)
            .map(|d| d.join(&language))
            .filter(|d| d.is_dir())
            .map(|d| read_folder(&d))
            .transpose()?
            .or_else(|| shipped_folder(&language));
        let Some(layer) = layer else {
            let at = files
                .iter()
                .find_map(|f| {
                    let head = toml::from_str::<schema::File>(&f.text).ok()?.lexicon?;
                    Some(f.problem(
                        head.language.span().start,
                        format!("the language layer `{language}` is not there"),
                    ))
                })
                .unwrap_or_else(|| Problem::in_file(&language, "the language layer is not there"));
            return Err(vec![at.help(
                "put a folder of that name beside the lexicon, or use the shipped `english`",
            )]);
        };
        files.extend(layer);
        Ok(Files { files, own: n, scales: Vec::new(), references: Vec::new() })
    }

    /// SHA-256 over all names and texts, in hex: two lexicons with the same digest read and
    /// score alike.
    pub fn digest(&self) -> String {
        let mut sorted: Vec<(&str, &str)> = self
            .files
            .iter()
            .chain(&self.scales)
            .chain(&self.references)
            .map(|f| (f.path.rsplit('/').next().unwrap_or(&f.path), f.text.as_str()))
            .collect();
        sorted.sort_unstable();
        let mut h = Sha256::new();
        for (name, text) in sorted {
            h.update((name.len() as u64).to_be_bytes());
            h.update(name);
            h.update((text.len() as u64).to_be_bytes());
            h.update(text);
        }
        h.finalize().iter().map(|b| format!("{b:02x}")).collect()
    }
}

/// Folder of a lexicon that holds its growth references.
const REFERENCES: &str = "references";

fn shipped_folder(name: &str) -> Option<Vec<SourceFile>> {
    SHIPPED.get_dir(name)?;
    let files = shipped_files(name, &["toml"]);
    (!files.is_empty()).then_some(files)
}

/// The files of a shipped folder with one of these endings, by name; none when there is no folder.
fn shipped_files(folder: &str, endings: &[&str]) -> Vec<SourceFile> {
    let Some(dir) = SHIPPED.get_dir(folder) else { return Vec::new() };
    let mut files: Vec<SourceFile> = dir
        .files()
        .filter(|f| f.path().extension().is_some_and(|e| endings.iter().any(|want| *want == e)))
        .filter_map(|f| {
            Some(SourceFile {
                path: format!("lexicon/{}", f.path().to_str()?),
                text: f.contents_utf8()?.to_owned(),
            })
        })
        .collect();
    files.sort_by(|a, b| a.path.cmp(&b.path));
    files
}

fn read_folder(dir: &Path) -> Result<Vec<SourceFile>, Vec<Problem>> {
    let files = read_files(dir, &["toml"])?;
    if files.is_empty() {
        return Err(vec![
            Problem::in_file(dir.display().to_string(), "holds no .toml file")
                .help("a lexicon folder holds lexicon.toml and the item files"),
        ]);
    }
    Ok(files)
}

fn read_files(dir: &Path, endings: &[&str]) -> Result<Vec<SourceFile>, Vec<Problem>> {
    let shown = dir.display().to_string();
    let listing = std::fs::read_dir(dir).map_err(|e| {
        vec![
            Problem::in_file(&shown, format!("cannot open this lexicon folder: {e}"))
                .help("name a folder that holds a lexicon.toml"),
        ]
    })?;
    let mut paths: Vec<_> = listing
        .filter_map(Result::ok)
        .map(|e| e.path())
        .filter(|p| {
            p.extension().is_some_and(|e| endings.iter().any(|want| *want == e)) && p.is_file()
        })
        .collect();
    paths.sort();
    let (mut files, mut problems) = (Vec::new(), Vec::new());
    for p in paths {
        match read_file(&p) {
            Ok(file) => files.push(file),
            Err(problem) => problems.push(problem),
        }
    }
    if problems.is_empty() { Ok(files) } else { Err(problems) }
}

fn read_file(p: &Path) -> Result<SourceFile, Problem> {
    let path = p.display().to_string();
    match std::fs::read(p).map(String::from_utf8) {
        Ok(Ok(text)) => Ok(SourceFile { path, text }),
        Ok(Err(e)) => Err(Problem::in_file(
            &path,
            format!("is not UTF-8 text (byte {})", e.utf8_error().valid_up_to() + 1),
        )
        .help("save the file as UTF-8")),
        Err(e) => Err(Problem::in_file(&path, format!("cannot be read: {e}"))
            .help("check the name and who may read it")),
    }
}
