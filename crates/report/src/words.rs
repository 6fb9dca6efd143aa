//! Texts of the other stages as they stand in a page: they come as parts of sentences.

/// With a capital first letter; the rest is left alone.
pub(crate) fn headline(text: &str) -> String {
    let mut letters = text.trim().chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// With a capital first letter and a full stop; empty stays empty.
pub(crate) fn sentence(text: &str) -> String {
    let text = headline(text);
    if text.is_empty() || text.ends_with(['.', '?', '!']) { text } else { text + "." }
}

/// Without a full stop at the end, for the middle of a sentence.
pub(crate) fn clause(text: &str) -> String {
    text.trim().trim_end_matches('.').to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_sentences_become_sentences() {
        assert_eq!(sentence("racket-tip speed"), "Racket-tip speed.");
        assert_eq!(sentence("Étape finie. "), "Étape finie.");
        assert_eq!(sentence(""), "");
        assert_eq!(headline("ärmel"), "Ärmel");
        assert_eq!(clause("the ball was hidden. "), "the ball was hidden");
    }
}
