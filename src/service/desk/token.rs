//! The secret that opens a desk which other computers can reach.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Fewest characters of a token.
const LENGTH_MIN: usize = 16;
/// Largest file that is read, bytes.
const FILE_MAX_BYTES: u64 = 1024;
/// Letters and digits that nobody takes for each other when they are typed on a phone.
const SIGNS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";
/// Signs of a new token, in groups of five: 5 bits each, 100 in all.
const SIGNS_NEW: usize = 20;

/// A token. It is never shown.
#[derive(Clone)]
pub struct Token {
    /// What is compared, so that the time it takes tells nothing of the token.
    digest: blake3::Hash,
    /// What a browser keeps in its place.
    cookie: String,
}

impl std::fmt::Debug for Token {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Token")
    }
}

/// Why a token file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// It cannot be read or made.
    #[error("cannot use the token file {}: {why}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: io::Error,
    },
    /// Others may read it.
    #[error("others may read the token file {}: take that right away (chmod 600)", .0.display())]
    Readable(PathBuf),
    /// It holds no token.
    #[error("the token file {} holds no token: one line of at least {LENGTH_MIN} signs without blanks", .0.display())]
    NoToken(PathBuf),
}

impl Token {
    /// The token of that text.
    pub fn new(text: &str) -> Option<Self> {
        let text = text.trim();
        if text.len() < LENGTH_MIN || !text.bytes().all(|b| b.is_ascii_graphic()) {
            return None;
        }
        let cookie = blake3::Hash::from(blake3::derive_key("gonogo desk, cookie for a token, 1", text.as_bytes()));
        Some(Self { digest: blake3::hash(text.as_bytes()), cookie: cookie.to_hex().to_string() })
    }

    /// Reads the file, or makes one that only its owner can read where there is none; true where it was made.
    ///
    /// # Errors
    /// See [`TokenError`].
    pub fn of_file(path: &Path) -> Result<(Self, bool), TokenError> {
        let fault = |why| TokenError::File { path: path.to_owned(), why };
        let found = match fs::metadata(path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => {
                return make(path).map(|token| (token, true)).map_err(fault);
            }
            found => found.map_err(fault)?,
        };
        if !found.is_file() || found.len() > FILE_MAX_BYTES {
            return Err(TokenError::NoToken(path.to_owned()));
        }
        #[cfg(unix)]
        if std::os::unix::fs::PermissionsExt::mode(&found.permissions()) & 0o077 != 0 {
            return Err(TokenError::Readable(path.to_owned()));
        }
        let text = fs::read_to_string(path).map_err(fault)?;
        Self::new(&text).map(|token| (token, false)).ok_or_else(|| TokenError::NoToken(path.to_owned()))
    }

    /// True where that is the token.
    pub fn is(&self, text: &str) -> bool {
        // Comparing digests of this kind takes the same time wherever they differ.
        blake3::hash(text.trim().as_bytes()) == self.digest
    }

    /// What a browser keeps.
    pub fn cookie(&self) -> &str {
        &self.cookie
    }

    /// True where a browser has kept that.
    pub fn is_cookie(&self, text: &str) -> bool {
        blake3::hash(text.as_bytes()) == blake3::hash(self.cookie.as_bytes())
    }
}

fn make(path: &Path) -> io::Result<Token> {
    let mut random = [0; SIGNS_NEW];
    getrandom::fill(&mut random).map_err(io::Error::other)?;
    let signs = random.map(|byte| SIGNS[usize::from(byte) % SIGNS.len()]);
    let groups: Vec<String> = signs.chunks(5).map(|group| String::from_utf8_lossy(group).into_owned()).collect();
    let text = groups.join("-");
    let mut options = OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(path)?;
    file.write_all(format!("{text}\n").as_bytes())?;
    file.sync_all()?;
    Token::new(&text).ok_or_else(|| io::Error::other("the token made is none"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_token_is_made_once_and_only_its_owner_reads_it() {
        let folder = tempfile::tempdir().expect("temporary directory");
        let path = folder.path().join("token");
        let (token, made) = Token::of_file(&path).expect("is made");
        let text = fs::read_to_string(&path).expect("is read");
        assert!(made && token.is(&text) && !token.is("another-token-of-some-length"));
        assert_eq!(text.trim().len(), SIGNS_NEW + 3);
        let (again, made) = Token::of_file(&path).expect("is read");
        assert!(!made && again.is(&text) && again.is_cookie(token.cookie()) && !again.is_cookie(&text));
        assert!(!token.cookie().contains(text.trim()) && format!("{token:?}") == "Token");
        let other = folder.path().join("other");
        let (other, _) = Token::of_file(&other).expect("is made");
        assert!(!other.is(&text), "each is another one");
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            let mode = |path: &Path| fs::metadata(path).expect("is there").permissions().mode() & 0o777;
            assert_eq!(mode(&path), 0o600);
            fs::set_permissions(&path, fs::Permissions::from_mode(0o640)).expect("is set");
            assert!(matches!(Token::of_file(&path), Err(TokenError::Readable(_))));
        }
    }

    #[test]
    fn short_and_strange_texts_are_no_tokens() {
        for text in
            ["", "short", "with blanks in the middle of it", "größer-als-sechzehn-zeichen", "a\nb-and-much-more-of-it"]
        {
            assert!(Token::new(text).is_none(), "{text}");
        }
        let folder = tempfile::tempdir().expect("temporary directory");
        assert!(matches!(Token::of_file(folder.path()), Err(TokenError::NoToken(_))));
        assert!(matches!(Token::of_file(&folder.path().join("no/such")), Err(TokenError::File { .. })));
    }
}
