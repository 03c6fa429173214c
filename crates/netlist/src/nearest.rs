//! The known word nearest to a mistyped one.

/// Longest word compared; longer ones are no slip of the finger.
const LONGEST: usize = 64;

/// Number of single-letter slips between two words, without regard to case:
/// insertions, deletions, replacements and swaps of neighbours (optimal
/// string alignment). `None` when it is more than `most`.
pub fn slips_between(a: &str, b: &str, most: usize) -> Option<usize> {
    // Nearly all pairs differ too much in length alone: no room is made for them.
    let length = |word: &str| word.chars().flat_map(char::to_lowercase).count();
    let lengths = (length(a), length(b));
    if lengths.0.abs_diff(lengths.1) > most || lengths.0.max(lengths.1) > LONGEST {
        return None;
    }
    let a: Vec<char> = a.chars().flat_map(char::to_lowercase).collect();
    let b: Vec<char> = b.chars().flat_map(char::to_lowercase).collect();
    let mut before_last: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for (i, &x) in a.iter().enumerate() {
        let mut row = Vec::with_capacity(b.len() + 1);
        row.push(i + 1);
        for (j, &y) in b.iter().enumerate() {
            let mut cost = (last[j] + usize::from(x != y))
                .min(last[j + 1] + 1)
                .min(row[j] + 1);
            if i > 0 && j > 0 && x == b[j - 1] && a[i - 1] == y {
                cost = cost.min(before_last[j - 1] + 1);
            }
            row.push(cost);
        }
        if row.iter().all(|&cost| cost > most) {
            return None;
        }
        before_last = std::mem::replace(&mut last, row);
    }
    last.last().copied().filter(|&cost| cost <= most)
}

/// The candidate nearest to `word`, if one is near enough to be what was
/// meant: one letter in three may be wrong, three at most. Of
/// equally near ones the first is given.
pub fn nearest<'a>(word: &str, candidates: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let most = ((word.chars().count() + 1) / 3).clamp(1, 3);
    let mut best: Option<(usize, &'a str)> = None;
    for candidate in candidates {
        let bar = best.map_or(most, |(slips, _)| slips.saturating_sub(1));
        if let Some(slips) = slips_between(word, candidate, bar)
            && best.is_none_or(|(least, _)| slips < least)
        {
            best = Some((slips, candidate));
        }
    }
    // A one-letter word is within one slip of every other one.
    best.filter(|&(slips, candidate)| slips < candidate.chars().count())
        .map(|(_, candidate)| candidate)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn counts_slips() {
        assert_eq!(slips_between("plate1", "plate1", 3), Some(0));
        assert_eq!(slips_between("PLATE1", "plate1", 3), Some(0));
        assert_eq!(slips_between("resitor", "resistor", 3), Some(1));
        assert_eq!(slips_between("rsitor", "resistor", 3), Some(2));
        assert_eq!(slips_between("gird", "grid", 3), Some(1));
        assert_eq!(slips_between("kitten", "sitting", 3), Some(3));
        assert_eq!(slips_between("kitten", "sitting", 2), None);
        assert_eq!(slips_between("", "ab", 2), Some(2));
    }

    #[test]
    fn picks_the_nearest_or_none() {
        let words = ["resistor", "capacitor", "choke"];
        assert_eq!(nearest("resitor", words), Some("resistor"));
        assert_eq!(nearest("chole", words), Some("choke"));
        assert_eq!(nearest("zzzz", words), None);
        assert_eq!(nearest("12AX8", ["12AU7", "12AX7"]), Some("12AX7"));
        assert_eq!(nearest("a", ["b"]), None);
    }
}
