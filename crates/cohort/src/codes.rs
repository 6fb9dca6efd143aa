//! Players are codes: what looks like a name or a date of birth does not get into the store.

use std::path::Path;

use crate::CohortError;

/// Words that announce a person's particulars, with the word boundary on both sides.
const PERSONAL_WORDS: [&str; 16] = [
    "born",
    "birth",
    "birthday",
    "birthdate",
    "dob",
    "d.o.b",
    "surname",
    "lastname",
    "firstname",
    "forename",
    "fullname",
    "e-mail",
    "email",
    "phone-number",
    "address",
    "passport",
];

/// Pairs of words with the same meaning.
const PERSONAL_PAIRS: [[&str; 2]; 6] =
    [["first", "name"], ["last", "name"], ["full", "name"], ["family", "name"], ["player", "name"], ["real", "name"]];

/// Checks that a player's code is a code: one to three letters, an optional dash and one to four digits, such as P07 or AB-012, and
/// not a year of birth.
///
/// # Errors
/// Says what is wrong with it; `place` is the file that it stands in.
pub fn check_player_code(code: &str, place: &Path) -> Result<(), CohortError> {
    let letters = code.chars().take_while(char::is_ascii_alphabetic).count();
    let rest = &code[letters..];
    let digits = rest.strip_prefix('-').unwrap_or(rest);
    let form =
        (1..=3).contains(&letters) && (1..=4).contains(&digits.len()) && digits.chars().all(|c| c.is_ascii_digit());
    let year = digits.len() == 4 && digits.parse().is_ok_and(|y: u32| (1900..=2100).contains(&y));
    if form && !year {
        return Ok(());
    }
    let reason = if year {
        format!("player code \"{code}\" holds what may be a year of birth; number the players instead, such as P07")
    } else {
        format!(
            "\"{code}\" is not a player code: one to three letters and up to four digits, such as P07; names stay out of the store (keep the \
             list that says who is who elsewhere)"
        )
    };
    Err(CohortError::Person { place: place.to_owned(), line: None, reason })
}

/// Checks the name of a study or session: letters, digits, dash and underscore, because it becomes a folder's name.
///
/// # Errors
/// Says what is wrong with it.
pub fn check_folder_name(kind: &str, name: &str, place: &Path) -> Result<(), CohortError> {
    let usable = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
    if !name.is_empty() && name.len() <= 80 && name.chars().all(usable) {
        return Ok(());
    }
    Err(CohortError::Person {
        place: place.to_owned(),
        line: None,
        reason: format!("{kind} \"{name}\" must be 1 to 80 letters, digits, - and _: it becomes a folder of the store"),
    })
}

/// Checks a level or an age group: short, and no date.
///
/// # Errors
/// Says what is wrong with it.
pub fn check_group(kind: &str, group: &str, place: &Path) -> Result<(), CohortError> {
    let fault = if group.trim().is_empty() || group.chars().count() > 40 {
        Some("must be 1 to 40 characters")
    } else if holds_date(group) {
        Some("looks like a date; give a group, such as 14-16, never a date of birth")
    } else if group.chars().any(char::is_control) {
        Some("holds a control character")
    } else {
        None
    };
    match fault {
        None => Ok(()),
        Some(fault) => Err(CohortError::Person {
            place: place.to_owned(),
            line: None,
            reason: format!("{kind} \"{group}\" {fault}"),
        }),
    }
}

/// Checks the text of a file (a session's description with its comments, the head of a table) for words that announce a person's
/// particulars.
///
/// # Errors
/// Names the line and the word.
pub fn check_text(text: &str, place: &Path) -> Result<(), CohortError> {
    for (line, number) in text.lines().zip(1..) {
        let lower = line.to_lowercase();
        // Our own template asks for a code, "never a name".
        let words: Vec<&str> = lower
            .split(|c: char| !(c.is_alphanumeric() || c == '-' || c == '.'))
            .map(|w| w.trim_matches(['-', '.']))
            .filter(|w| !w.is_empty())
            .collect();
        let word = words.iter().find(|w| PERSONAL_WORDS.contains(w)).map(|w| (*w).to_owned());
        let pair = words
            .windows(2)
            .find(|w| PERSONAL_PAIRS.iter().any(|[a, b]| w[0] == *a && w[1] == *b))
            .map(|w| w.join(" "));
        if let Some(found) = word.or(pair) {
            return Err(CohortError::Person {
                place: place.to_owned(),
                line: Some(number),
                reason: format!(
                    "\"{found}\" announces a person's particulars; names and dates of birth stay out of the store: take them out of the file"
                ),
            });
        }
    }
    Ok(())
}

/// Whether a text holds a full date: year, month and day in any order with separators, or eight digits that read as one.
fn holds_date(text: &str) -> bool {
    let numbers: Vec<u32> =
        text.split(|c: char| !c.is_ascii_digit()).filter(|d| !d.is_empty()).filter_map(|d| d.parse().ok()).collect();
    let year = |n: u32| (1900..=2100).contains(&n);
    let month_or_day = |n: u32| (1..=31).contains(&n);
    numbers.windows(3).any(|w| {
        (year(w[0]) && month_or_day(w[1]) && month_or_day(w[2]))
            || (month_or_day(w[0]) && month_or_day(w[1]) && year(w[2]))
    }) || numbers.iter().any(|n| (19_000_101..=21_001_231).contains(n))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_pass_and_names_and_years_of_birth_do_not() {
        let place = Path::new("session.toml");
        for code in ["P07", "A1", "AB-012", "XYZ9999"] {
            assert!(check_player_code(code, place).is_ok(), "{code}");
        }
        for code in ["", "Anna", "anna2", "P", "P2009", "P 7", "7", "P12345", "P07/..", "Ünal1"] {
            let message = check_player_code(code, place).unwrap_err().to_string();
            assert!(message.contains("session.toml") && message.contains(code), "{message}");
        }
    }

    #[test]
    fn particulars_are_found_with_their_line() {
        let place = Path::new("session.toml");
        assert!(check_text("# A code, never a name.\ncode = \"P07\"\nname = \"plate\"", place).is_ok());
        for (text, line) in
            [("a\n# DOB 3.4.", 2), ("# First name: x", 1), ("a\nb\nborn in May", 3), ("player,Date of Birth", 1)]
        {
            let message = check_text(text, place).unwrap_err().to_string();
            assert!(message.contains(&format!("session.toml:{line}:")), "{message}");
        }
    }

    #[test]
    fn a_group_is_never_a_date() {
        let place = Path::new("roster.csv");
        for group in ["14-16", "U16", "club", "over 40"] {
            assert!(check_group("age group", group, place).is_ok(), "{group}");
        }
        for group in ["2009-03-14", "14.3.2009", "20090314", " "] {
            assert!(check_group("age group", group, place).is_err(), "{group}");
        }
    }
}
