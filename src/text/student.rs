//! The note that a coach sends to a student: what to shoot, how to take the photo, what to tell.

use crate::plan::{Plan, PlanOptions};
use crate::record::Hand;

/// The note, one paragraph or point a line, to be sent as it stands. It asks only for what isn't stated yet; `face` is the face
/// that is to be shot at, if that is known.
#[must_use]
pub fn note_for_student(plan: &Plan, options: &PlanOptions, face: Option<&str>) -> String {
    let from = match options.distance_m {
        Some(m) => format!("from {m} m"),
        None => "from a distance at which all your arrows hit the boss".to_owned(),
    };
    let at = face.map_or_else(String::new, |f| format!(" at the {f} face"));
    let mut lines = vec![
        "To see how your bow and arrows go together I need one photo of each end.".to_owned(),
        String::new(),
        "Please shoot".to_owned(),
        format!(
            "- {} ends {from}{at}: {} fletched and {} bare shafts in each, one fletched and one bare in turn, all aimed at the \
             same point, nothing changed on the bow between them",
            plan.ends, plan.fletched, plan.bare
        ),
        "- look over every shaft and nock first; a bare shaft can miss the boss: clear ground behind it, and the rules of your range come first".to_owned(),
        String::new(),
        "The photo".to_owned(),
        "- before anybody touches an arrow, one photo of each end".to_owned(),
        "- two or three metres from the face, one step to the side, so that you see where each shaft goes in".to_owned(),
        "- the whole face in it with its edges, the phone held upright, no zoom".to_owned(),
        "- no people in it; send the original file if you can, a copy from a messenger will do".to_owned(),
        String::new(),
        "And tell me".to_owned(),
    ];
    if options.hand.is_none() {
        lines.push("- which hand draws the string, right or left?".to_owned());
    }
    if face.is_none() {
        lines.push(
            "- which face is it: 122, 80, 60 or 40 cm, all ten rings or fewer, or a three-spot?"
                .to_owned(),
        );
    }
    if options.distance_m.is_none() {
        lines.push("- how far did you shoot, in metres or yards?".to_owned());
    }
    lines.extend(
        [
            "- did you shoot fletched and bare in turn, always at the same point?",
            "- did a shot miss the boss? bare or fletched, and where did it go?",
            "- if you know it: draw weight, spine, length and point of the shafts, and whether tape makes up for the vanes",
        ]
        .map(str::to_owned),
    );
    if options.hand == Some(Hand::Left) {
        lines.push(String::new());
        lines.push("I have noted that you draw with the left hand.".to_owned());
    }
    lines.join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::plan;

    #[test]
    fn the_note_asks_for_what_is_not_told_and_says_how_to_take_the_photo() {
        let nothing = PlanOptions::default();
        let asked = note_for_student(&plan(&nothing), &nothing, None);
        for words in [
            "which hand",
            "which face",
            "how far",
            "in turn",
            "one step to the side",
            "whole face",
            "held upright",
            "can miss the boss",
        ] {
            assert!(asked.contains(words), "{words}: {asked}");
        }
        let options = PlanOptions {
            hand: Some(Hand::Left),
            distance_m: Some(18.0),
            ..nothing
        };
        let short = note_for_student(&plan(&options), &options, Some("wa-60"));
        for words in ["which hand", "which face", "how far"] {
            assert!(!short.contains(words), "{words}: {short}");
        }
        assert!(short.contains("from 18 m at the wa-60 face") && short.contains("left hand"));
        assert!(short.lines().count() < 25, "short enough to send");
    }
}
