//! When an end was shot, as far as its record says.

use super::End;
use jiff::Timestamp;
use jiff::civil::{Date, Time};

/// A day, with the time of day and the instant where they are known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct When {
    /// The day as written (in the zone it was written in).
    pub day: Date,
    /// The time of day as written; `None` for a date alone, which stands for the day's start.
    pub time: Option<Time>,
    /// The instant; `None` without a zone.
    pub instant: Option<Timestamp>,
}

impl When {
    /// Reads an RFC 3339 time, a time without a zone (`YYYY-MM-DDTHH:MM:SS`) or a date alone. `None` for anything else.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let day: Date = text.get(..10)?.parse().ok()?;
        let rest = text.get(10..)?;
        if rest.is_empty() {
            return Some(Self {
                day,
                time: None,
                instant: None,
            });
        }
        let clock = rest.strip_prefix(['T', 't', ' '])?;
        let end = clock.find(['Z', 'z', '+', '-']).unwrap_or(clock.len());
        let (clock, zone) = clock.split_at(end);
        let time: Time = clock.parse().ok()?;
        let instant = if zone.is_empty() {
            None
        } else {
            Some(text.parse::<Timestamp>().ok()?)
        };
        Some(Self {
            day,
            time: Some(time),
            instant,
        })
    }

    /// When this end was shot: the session's date, else the photo's time, else the camera's own time without a zone.
    /// `None` where none of them can be read.
    #[must_use]
    pub fn of(end: &End) -> Option<Self> {
        if let Some(date) = &end.session.date {
            return Self::parse(date);
        }
        Self::of_photo(end)
    }

    /// When this end's photo was taken.
    #[must_use]
    pub fn of_photo(end: &End) -> Option<Self> {
        let photo = end.photo.as_ref()?;
        photo
            .taken
            .as_deref()
            .and_then(Self::parse)
            .or_else(|| photo.taken_local.as_deref().and_then(Self::parse))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn day_is_the_one_written_and_the_instant_knows_the_zone() {
        let late = When::parse("2026-05-03T23:30:00-04:00").expect("RFC 3339");
        let next = When::parse("2026-05-04T01:00:00+02:00").expect("RFC 3339");
        assert_eq!(late.day.to_string(), "2026-05-03");
        // 23:30 at −4 h is 03:30 UTC of the next day, 01:00 at +2 h is 23:00 UTC of the day before
        assert!(late.instant > next.instant);
        assert!(late.day < next.day);
    }

    #[test]
    fn partial_times_are_read_as_what_they_are() {
        let date = When::parse("2026-05-03").expect("date");
        assert_eq!((date.time, date.instant), (None, None));
        let local = When::parse("2026-05-03T10:12:40").expect("local");
        assert!(local.time.is_some() && local.instant.is_none());
        assert!(When::parse("2026-05-03T10:12:40.5Z").is_some_and(|w| w.instant.is_some()));
        for bad in [
            "",
            "2026-05",
            "2026-13-03",
            "yesterday",
            "2026-05-03T",
            "2026-05-03Tnoon",
            "03.05.2026é",
        ] {
            assert_eq!(When::parse(bad), None, "{bad}");
        }
    }
}
