//! A step in few words, for where there is room for a line.

use super::Locale;
use super::numbers::{count, number, turns};
use super::terms::lever_in_sentence;
use crate::advice::{Action, Check, Instruction, ShootCause, Step, VerifyWhen};

/// "bolts out a quarter turn", "shoot three more of each kind from 30 m": what to do, without reasons and figures that stand
/// beside it; `headline` is the step's.
pub(crate) fn short_step(step: &Step, headline: &str, locale: Locale) -> String {
    of_detail(&step.detail, locale).unwrap_or_else(|| first_part(headline))
}

fn of_detail(detail: &Instruction, locale: Locale) -> Option<String> {
    let shots = |pairs: u32| count(i64::from(pairs));
    let metres = |m: f64| number(m, 1);
    Some(match detail {
        Instruction::Amount {
            change: Action::DrawWeight,
            quarter_turns: Some(quarters),
            ..
        } => format!(
            "bolts {} {}",
            if *quarters < 0 { "out" } else { "in" },
            turns(*quarters)
        ),
        Instruction::Amount {
            change: Action::ShaftLength,
            amount,
            ..
        } => format!("cut all shafts by {}", locale.length(amount.abs(), 1)),
        Instruction::Amount {
            change: Action::ShaftSpine,
            to: Some(to),
            ..
        } => format!("shafts of spine {}", number(*to, 0)),
        Instruction::Amount {
            change: Action::PointWeight,
            to: Some(to),
            ..
        } => format!("points of {} gr", number(*to, 0)),
        Instruction::Shoot {
            cause: ShootCause::Changed(_),
            ..
        } => "shoot an end with the change".to_owned(),
        Instruction::ShootMore {
            pairs, distance_m, ..
        }
        | Instruction::Shoot {
            pairs, distance_m, ..
        } => format!(
            "shoot {} more of each kind from {} m",
            shots(*pairs),
            metres(*distance_m)
        ),
        Instruction::Verify {
            when: VerifyWhen::Now,
            pairs,
            ..
        } => format!("shoot {} of each kind at 30 m", shots(*pairs)),
        Instruction::Verify { .. } | Instruction::GoalReached { .. } => {
            "change nothing, shoot again another day".to_owned()
        }
        Instruction::Check { checks, .. } => checked(checks),
        Instruction::PutBack { change, .. } => format!("put {} back", lever_in_sentence(*change)),
        Instruction::ThenNearer { step, .. } => return of_detail(step, locale),
        Instruction::InTune => "leave the bow alone".to_owned(),
        Instruction::NothingLeft => "nothing left to change here".to_owned(),
        Instruction::OtherSpines(_) => "other shafts".to_owned(),
        Instruction::Amount { .. } | Instruction::Direction { .. } | Instruction::Written(_) => {
            return None;
        }
    })
}

/// The first thing to look at, and how many more.
fn checked(checks: &[Check]) -> String {
    let first = match checks.first() {
        Some(Check::Scale) => "check the draw weight",
        Some(Check::BoltStop) => "look at the limb bolts\u{2019} stop",
        Some(Check::Contact) => "look for contact at the rest",
        Some(Check::Tags) => "confirm which are bare",
        Some(Check::Mass) => "put both kinds of shaft on a scale",
        Some(Check::BraceHeight) => "measure the brace height",
        Some(Check::CentreShot) => "check the centre shot",
        Some(Check::Plunger) => "check the plunger",
        Some(Check::Form) => "have the loose watched",
        None => "look at the bow",
    };
    match checks.len() {
        0 | 1 => first.to_owned(),
        n => format!("{first}, and {} more", n - 1),
    }
}

/// A headline without what follows in brackets or after a comma, as it stands within a line.
fn first_part(headline: &str) -> String {
    let end = [" (", ", ", ";"]
        .iter()
        .filter_map(|mark| headline.find(mark))
        .min();
    let part = headline[..end.unwrap_or(headline.len())].trim();
    let mut letters = part.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_lowercase().collect::<String>() + letters.as_str()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::advice::CheckCause;

    #[test]
    fn a_line_on_a_phone_holds_it() {
        let bolts = Instruction::Amount {
            change: Action::DrawWeight,
            amount: -0.4,
            from: None,
            to: None,
            quarter_turns: Some(-1),
            spines: None,
        };
        assert_eq!(
            of_detail(&bolts, Locale::default()).as_deref(),
            Some("bolts out a quarter turn")
        );
        let every = [
            Check::Scale,
            Check::BoltStop,
            Check::Contact,
            Check::Tags,
            Check::Mass,
            Check::BraceHeight,
            Check::CentreShot,
            Check::Plunger,
            Check::Form,
        ];
        for check in every {
            let words = checked(&[check, Check::Form]);
            assert!(words.chars().count() <= 46, "{words}");
        }
        let tags = Instruction::Check {
            checks: vec![Check::Tags],
            cause: CheckCause::Tags(6),
        };
        assert_eq!(
            of_detail(&tags, Locale::default()).as_deref(),
            Some("confirm which are bare")
        );
        assert_eq!(
            first_part("Nocking point 1 mm lower (9 to 8 mm)"),
            "nocking point 1 mm lower"
        );
    }
}
