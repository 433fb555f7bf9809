//! Long lists, part by part: by number for people, by place for programs, so that what is added
//! between two questions neither skips nor repeats anything.

use super::desk::DeskError;
use std::ops::Range;

/// Lines of a part where nobody says how many.
pub const PER_PAGE: usize = 50;
/// Most lines of a part of any list.
pub const MOST_PER_PAGE: usize = 200;

/// Which part of a list, its newest line first.
#[derive(Debug, Clone, PartialEq)]
pub enum Part<P> {
    /// A page by its number, from 1.
    Page(usize),
    /// Those older than a place.
    Older(P),
    /// Those next newer than a place.
    Newer(P),
}

impl<P> Default for Part<P> {
    fn default() -> Self {
        Self::Page(1)
    }
}

/// How many lines a part has.
///
/// # Errors
/// [`DeskError::Unanswerable`] outside 1 to [`MOST_PER_PAGE`].
pub fn per_page(asked: Option<usize>) -> Result<usize, DeskError> {
    match asked.unwrap_or(PER_PAGE) {
        per_page if (1..=MOST_PER_PAGE).contains(&per_page) => Ok(per_page),
        per_page => Err(DeskError::Unanswerable(format!(
            "per_page {per_page} is outside 1 to {MOST_PER_PAGE}"
        ))),
    }
}

impl<P: Ord> Part<P> {
    /// Its indices in a list that is sorted from the newest place to the oldest.
    ///
    /// # Errors
    /// [`DeskError::Unanswerable`] for a page that is none.
    pub fn of<T>(
        &self,
        all: &[T],
        per_page: usize,
        place: impl Fn(&T) -> P,
    ) -> Result<Range<usize>, DeskError> {
        let start = match self {
            Self::Page(page) => {
                let pages = all.len().div_ceil(per_page).max(1);
                if !(1..=pages).contains(page) {
                    let words = format!("page {page} is outside 1 to {pages}; go to the first one");
                    return Err(DeskError::Unanswerable(words));
                }
                (page - 1) * per_page
            }
            Self::Older(than) => all.partition_point(|line| place(line) >= *than),
            Self::Newer(than) => {
                let end = all.partition_point(|line| place(line) > *than);
                return Ok(end.saturating_sub(per_page)..end);
            }
        };
        Ok(start..all.len().min(start + per_page))
    }
}

/// Places of the first line of a part where newer ones come before it, and of its last where older
/// ones come after it.
pub fn beside<T, P>(
    all: &[T],
    part: &Range<usize>,
    place: impl Fn(&T) -> P,
) -> (Option<P>, Option<P>) {
    let shown = &all[part.clone()];
    let newer = shown.first().filter(|_| part.start > 0).map(&place);
    (newer, shown.last().filter(|_| part.end < all.len()).map(&place))
}

#[cfg(test)]
mod tests {
    use super::*;

    const ALL: [i32; 7] = [70, 60, 50, 40, 30, 20, 10];

    fn of(part: &Part<i32>, all: &[i32]) -> (Vec<i32>, Option<i32>, Option<i32>) {
        let part = part.of(all, 3, |line| *line).unwrap();
        let (newer, older) = beside(all, &part, |line| *line);
        (all[part].to_vec(), newer, older)
    }

    #[test]
    fn places_lead_through_the_list_and_back() {
        assert_eq!(of(&Part::default(), &ALL), (vec![70, 60, 50], None, Some(50)));
        assert_eq!(of(&Part::Older(50), &ALL), (vec![40, 30, 20], Some(40), Some(20)));
        assert_eq!(of(&Part::Older(20), &ALL), (vec![10], Some(10), None));
        assert_eq!(of(&Part::Newer(10), &ALL), (vec![40, 30, 20], Some(40), Some(20)));
        assert_eq!(of(&Part::Newer(60), &ALL), (vec![70], None, Some(70)));
        assert_eq!(of(&Part::Older(10), &ALL), (vec![], None, None));
        // What was the place may be gone, and newer lines may have come.
        assert_eq!(of(&Part::Older(45), &ALL).0, [40, 30, 20]);
        assert_eq!(of(&Part::Older(50), &[&[90, 80], &ALL[..]].concat()).0, [40, 30, 20]);
        assert_eq!(of(&Part::default(), &[]), (vec![], None, None));
        assert!(Part::Page(4).of(&ALL, 3, |line| *line).is_err());
        assert!(per_page(Some(0)).is_err() && per_page(Some(201)).is_err());
    }
}
