//! The sources under `src` as modules, with the paths that their code names: comments, strings and tests are left out.

use proc_macro2::{Delimiter, TokenStream, TokenTree};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// The segments of a path, `crate::face::Spec` as `["crate", "face", "Spec"]`; of a macro's name the last ends in `!`.
pub(crate) type Segments = Vec<String>;

/// How often a name may be imported onwards before it is given up; more would be a circle.
const MAX_IMPORTS_ONWARD: usize = 16;

/// One source file.
pub(crate) struct SourceFile {
    /// Where it is below `src`, as `cli/day.rs`.
    pub(crate) path: String,
    /// Its module, `["cli", "day"]`; that of `cli/mod.rs` is `["cli"]`.
    pub(crate) module: Segments,
    /// Every path in its code, with the module in which it stands (that of the file, or of a `mod` with a body in it).
    pub(crate) paths: Vec<(Segments, Segments)>,
    /// What its `use` items bring in: the name, and the path that it stands for.
    imports: Vec<(String, Segments)>,
}

/// All source files, from the text of each.
pub(crate) struct SourceTree {
    /// In the order of their paths.
    pub(crate) files: Vec<SourceFile>,
    /// Index in `files` of each module.
    by_module: BTreeMap<Segments, usize>,
}

impl SourceTree {
    /// The crate's own sources.
    pub(crate) fn of_crate() -> Self {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let mut texts = BTreeMap::new();
        read_folder(&root, &root, &mut texts);
        Self::new(texts.iter().map(|(p, t)| (p.as_str(), t.as_str())))
    }

    /// Files by their paths below `src`.
    pub(crate) fn new<'a>(texts: impl IntoIterator<Item = (&'a str, &'a str)>) -> Self {
        let mut files = Vec::new();
        let mut test_modules = BTreeSet::new();
        for (path, text) in texts {
            let module = module_of(path);
            let tokens = text
                .parse::<TokenStream>()
                .unwrap_or_else(|e| panic!("{path}: {e}"));
            let mut reader = Reader::default();
            reader.items(&module, tokens);
            test_modules.extend(reader.test_modules);
            files.push(SourceFile {
                path: path.to_owned(),
                module,
                paths: reader.paths,
                imports: reader.imports,
            });
        }
        files.retain(|f| !test_modules.iter().any(|m| f.module.starts_with(m)));
        let modules = files.iter().map(|f| f.module.clone());
        let by_module = modules.zip(0..).collect();
        Self { files, by_module }
    }

    /// The module of the file that a path leads to, or nothing for a path that leads out of the crate. Names that a file
    /// imports from another one are followed to where they come from.
    pub(crate) fn target(&self, from: &[String], path: &[String]) -> Option<Segments> {
        let mut whole = self.absolute(from, path)?;
        for _ in 0..MAX_IMPORTS_ONWARD {
            let file = self.deepest_file(&whole)?;
            let Some(name) = whole.get(file.module.len()) else {
                return Some(file.module.clone());
            };
            let imported = file.imports.iter().find(|(n, _)| n == name);
            let Some((_, onward)) = imported else {
                return Some(file.module.clone());
            };
            let rest = &whole[file.module.len() + 1..];
            whole = [self.absolute(&file.module, onward)?.as_slice(), rest].concat();
        }
        None
    }

    /// The path from the crate's root, if it is one within the crate.
    fn absolute(&self, from: &[String], path: &[String]) -> Option<Segments> {
        let mut base = match path.first()?.as_str() {
            "crate" | "bossmark" => Vec::new(),
            "self" => from.to_vec(),
            "super" => from.split_last()?.1.to_vec(),
            first => {
                let child = [from, &[first.to_owned()]].concat();
                return (self.by_module.contains_key(&child)).then(|| [from, path].concat());
            }
        };
        let mut rest = &path[1..];
        while let Some((first, others)) = rest.split_first()
            && first == "super"
        {
            base.pop()?;
            rest = others;
        }
        base.extend_from_slice(rest);
        Some(base)
    }

    fn deepest_file(&self, path: &[String]) -> Option<&SourceFile> {
        let index = (0..=path.len())
            .rev()
            .find_map(|n| self.by_module.get(&path[..n]))?;
        self.files.get(*index)
    }

    /// Which of a folder's files and folders import which of its others, by the folder's module. A file `mod.rs` belongs to the
    /// folder: what it takes from the files below it, and they from it, is no import between them.
    pub(crate) fn imports_by_folder(&self) -> BTreeMap<Segments, BTreeSet<(String, String)>> {
        let mut found: BTreeMap<Segments, BTreeSet<(String, String)>> = BTreeMap::new();
        for file in &self.files {
            for (within, path) in &file.paths {
                let Some(target) = self.target(within, path) else {
                    continue;
                };
                let common = (file.module.iter().zip(&target))
                    .take_while(|(a, b)| a == b)
                    .count();
                if let (Some(a), Some(b)) = (file.module.get(common), target.get(common)) {
                    let imports = found.entry(target[..common].to_vec()).or_default();
                    imports.insert((a.clone(), b.clone()));
                }
            }
        }
        found
    }
}

fn read_folder(root: &Path, folder: &Path, texts: &mut BTreeMap<String, String>) {
    for item in fs::read_dir(folder).expect("folder") {
        let path = item.expect("item").path();
        if path.is_dir() {
            read_folder(root, &path, texts);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let below = path.strip_prefix(root).expect("below src").iter();
            let names: Vec<_> = below.map(|n| n.to_string_lossy()).collect();
            texts.insert(names.join("/"), fs::read_to_string(&path).expect("UTF-8"));
        }
    }
}

fn module_of(path: &str) -> Segments {
    let names = path.trim_end_matches(".rs").split('/').map(str::to_owned);
    let mut module: Segments = names.collect();
    let last = module.last().map(String::as_str);
    if last == Some("mod") || path == "lib.rs" {
        module.pop();
    }
    module
}

/// Collects paths from tokens. Comments are none; documentation and strings are literals, which hold no paths.
#[derive(Default)]
struct Reader {
    paths: Vec<(Segments, Segments)>,
    imports: Vec<(String, Segments)>,
    test_modules: Vec<Segments>,
}

impl Reader {
    fn items(&mut self, module: &Segments, tokens: TokenStream) {
        let tokens: Vec<TokenTree> = tokens.into_iter().collect();
        let mut at = 0;
        while at < tokens.len() {
            if is_test_attribute(&tokens[at..]) {
                let end = at + item_length(&tokens[at..]);
                self.note_test_module(module, &tokens[at..end]);
                at = end;
                continue;
            }
            at += match &tokens[at] {
                TokenTree::Ident(word) if word == "mod" && has_body(&tokens[at..]) => {
                    let inner = [module.as_slice(), &[tokens[at + 1].to_string()]].concat();
                    if let TokenTree::Group(body) = &tokens[at + 2] {
                        self.items(&inner, body.stream());
                    }
                    3
                }
                TokenTree::Ident(word) if word == "use" => self.import(module, &tokens[at..]),
                TokenTree::Ident(word) if word == "static" && is_word(&tokens, at + 1, "mut") => {
                    self.paths
                        .push((module.clone(), vec!["static mut".to_owned()]));
                    2
                }
                TokenTree::Ident(_) => {
                    let (path, length) = path_at(&tokens[at..]);
                    self.paths.push((module.clone(), path));
                    length
                }
                TokenTree::Group(group) => {
                    self.items(module, group.stream());
                    1
                }
                _ => 1,
            };
        }
    }

    /// Reads the `use` item at the start of these tokens, and returns how many it takes.
    fn import(&mut self, module: &Segments, tokens: &[TokenTree]) -> usize {
        let length = 1 + tokens.iter().take_while(|t| !is_mark(t, ';')).count();
        let end = length.min(tokens.len() + 1) - 1;
        let mut found = Vec::new();
        use_tree(&[], &tokens[1..end], &mut found);
        for (name, path) in found {
            self.paths.push((module.clone(), path.clone()));
            self.imports.push((name, path));
        }
        length
    }

    fn note_test_module(&mut self, module: &Segments, item: &[TokenTree]) {
        let word = (item.iter()).position(|t| matches!(t, TokenTree::Ident(i) if i == "mod"));
        if let Some(word) = word
            && let Some(TokenTree::Ident(name)) = item.get(word + 1)
        {
            let whole = [module.as_slice(), &[name.to_string()]].concat();
            self.test_modules.push(whole);
        }
    }
}

/// Each name of a `use` tree, with the path that it stands for.
fn use_tree(prefix: &[String], tokens: &[TokenTree], found: &mut Vec<(String, Segments)>) {
    let mut path = prefix.to_vec();
    for token in tokens {
        match token {
            TokenTree::Ident(word) if word == "as" => break,
            TokenTree::Ident(word) => path.push(word.to_string()),
            TokenTree::Group(list) => {
                let list: Vec<TokenTree> = list.stream().into_iter().collect();
                for one in list.split(|t| is_mark(t, ',')) {
                    if !one.is_empty() {
                        use_tree(&path, one, found);
                    }
                }
                return;
            }
            _ => {}
        }
    }
    if path.len() > 1 && path.last().is_some_and(|l| l == "self") {
        path.pop();
    }
    let name = match tokens {
        [.., TokenTree::Ident(renamed)] => renamed.to_string(),
        _ => String::new(),
    };
    let name = match name.as_str() {
        "self" => path.last().cloned().unwrap_or_default(),
        _ => name,
    };
    found.push((name, path));
}

/// The path at the start of these tokens, and how many they are.
fn path_at(tokens: &[TokenTree]) -> (Segments, usize) {
    let mut path = vec![tokens[0].to_string()];
    let mut at = 1;
    while at + 2 < tokens.len() && is_mark(&tokens[at], ':') && is_mark(&tokens[at + 1], ':') {
        let TokenTree::Ident(word) = &tokens[at + 2] else {
            break;
        };
        path.push(word.to_string());
        at += 3;
    }
    let is_macro = tokens.get(at).is_some_and(|t| is_mark(t, '!'))
        && matches!(tokens.get(at + 1), Some(TokenTree::Group(_)));
    if is_macro && let Some(last) = path.last_mut() {
        last.push('!');
    }
    (path, at)
}

fn is_mark(token: &TokenTree, mark: char) -> bool {
    matches!(token, TokenTree::Punct(p) if p.as_char() == mark)
}

fn is_word(tokens: &[TokenTree], at: usize, word: &str) -> bool {
    matches!(tokens.get(at), Some(TokenTree::Ident(i)) if i == word)
}

/// `mod NAME { … }`
fn has_body(tokens: &[TokenTree]) -> bool {
    matches!(tokens.get(2), Some(TokenTree::Group(g)) if g.delimiter() == Delimiter::Brace)
}

/// `#[cfg(test)]`
fn is_test_attribute(tokens: &[TokenTree]) -> bool {
    match tokens {
        [hash, TokenTree::Group(group), ..] if is_mark(hash, '#') => {
            group.delimiter() == Delimiter::Bracket
                && group.stream().to_string().replace(' ', "") == "cfg(test)"
        }
        _ => false,
    }
}

/// How many tokens an item takes with its attributes: up to its body, or to the semicolon.
fn item_length(tokens: &[TokenTree]) -> usize {
    const UP_TO_SEMICOLON: [&str; 5] = ["use", "static", "type", "let", "const"];
    let words = tokens.iter().filter_map(|t| match t {
        TokenTree::Ident(word) => Some(word.to_string()),
        _ => None,
    });
    let words: Vec<String> = words.filter(|w| w != "pub").take(2).collect();
    let words: Vec<&str> = words.iter().map(String::as_str).collect();
    let to_semicolon = match words.as_slice() {
        ["const", "fn" | "unsafe"] => false,
        [first, ..] => UP_TO_SEMICOLON.contains(first),
        [] => false,
    };
    let ends = |token: &TokenTree| match token {
        TokenTree::Group(g) => !to_semicolon && g.delimiter() == Delimiter::Brace,
        other => is_mark(other, ';'),
    };
    tokens
        .iter()
        .position(ends)
        .map_or(tokens.len(), |end| end + 1)
}
