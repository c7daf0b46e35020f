//! The flags of `setup`.

use super::common::{Output, SessionArgs};
use super::values::{grains, length, number, numbers, pounds};
use crate::record::{ArrowKind, Limit, NamedArrow, Session};
use clap::Args;
use std::path::PathBuf;

/// Declares the flags of the settings, each once: the field of the set-up, the flag, its value's parser and help.
macro_rules! settings {
    ($($field:ident $flag:literal $value:literal $parser:ident $help:literal;)*) => {
        /// The settings of the set-up that have a limit or a lever, as flags.
        #[derive(Args, Clone, Debug, Default, PartialEq)]
        #[command(next_help_heading = "Bow and arrows")]
        pub struct Settings {
            $(
                #[doc = $help]
                #[arg(long = $flag, value_name = $value, value_parser = $parser, allow_hyphen_values = true)]
                pub $field: Option<f64>,
            )*
        }

        impl Settings {
            fn fill(&self, setup: &mut crate::record::Setup) {
                $(setup.$field = self.$field;)*
            }
        }

        /// The flag of each setting.
        pub const SETTING_FLAGS: &[(&str, &str)] = &[("shafts", "--shafts"), $((stringify!($field), concat!("--", $flag)),)*];
    };
}

settings! {
    draw_weight_lb "draw-weight" "LB" pounds "Weight on the fingers at full draw: 36, 36lb or 16kg";
    bolt_turns_out "bolts-out" "TURNS" number "Turns of each limb bolt out from fully in";
    shaft_spine "spine" "N" number "Static spine of the shafts, larger = weaker";
    shaft_gr_per_in "gr-per-in" "GR" number "Weight of the bare tube, grains per inch";
    shaft_diameter_mm "diameter" "MM" length "Outer diameter of the shafts";
    shaft_length_mm "length" "MM" length "Nock groove to the tube's front end: 737, 737mm or 29in";
    point_gr "point" "GR" grains "Point with insert and pin weights: 100, 100gr or 6.5g";
    rear_gr "rear" "GR" grains "Nock, pin, wrap and vanes of a fletched arrow";
    bare_rear_gr "bare-rear" "GR" grains "Nock, pin, wrap and tape of a bare shaft";
    plunger_clicks "plunger" "CLICKS" number "Plunger: clicks from your mark, + = stiffer";
    nocking_point_mm "nocking-point" "MM" length "Underside of the nock above square, + = higher";
    rest_height_mm "rest-height" "MM" length "Rest, from your mark, + = higher";
    brace_height_mm "brace-height" "MM" length "String to the grip's deepest point, at rest";
    draw_length_mm "draw-length" "MM" length "The same at full draw, nothing added";
}

/// `bossmark setup`.
#[derive(Args, Debug)]
pub struct Setup {
    /// The session file, or its folder [default: session.json here]
    #[arg(value_name = "FILE|FOLDER")]
    pub file: Option<PathBuf>,
    /// Note the change of this advice (bossmark/advice/1) as made: it holds from the next end on; `-` for stdin
    #[arg(long, value_name = "ADVICE")]
    pub apply: Option<PathBuf>,
    /// The settings given were changed just now: they hold from the next end on
    #[arg(long)]
    pub changed: bool,
    /// A remark on the change
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// Target face: a name from `bossmark faces`, or a face file
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Print the JSON Schema of session files
    #[arg(long, exclusive = true)]
    pub schema: bool,
    /// Output.
    #[command(flatten)]
    pub output: Output,
    /// Settings.
    #[command(flatten)]
    pub settings: Settings,
    /// The shafts: any label
    #[arg(long, value_name = "NAME", help_heading = "Bow and arrows")]
    pub shafts: Option<String>,
    /// An arrow by its own mark, and the colours that tell it: 7:fletched,nock=green,vanes=red+white (the index vane's first)
    #[arg(long, value_name = "MARK:LOOK", value_parser = arrow, help_heading = "Bow and arrows")]
    pub arrow: Vec<NamedArrow>,
    /// What a turn of both limb bolts changes
    #[arg(long, value_name = "LB", value_parser = pounds, help_heading = "Bow and arrows")]
    pub lb_per_turn: Option<f64>,
    /// Clicks in one turn of the plunger
    #[arg(long, value_name = "N", value_parser = number, help_heading = "Bow and arrows")]
    pub clicks_per_turn: Option<f64>,
    /// Your own tolerance at 30 m on each axis, mm
    #[arg(long, value_name = "MM", value_parser = length, help_heading = "What may be changed")]
    pub tolerance: Option<f64>,
    /// Changes that you won't make, like plunger,rear-weight
    #[arg(
        long,
        value_name = "CHANGES",
        value_delimiter = ',',
        help_heading = "What may be changed"
    )]
    pub keep: Vec<String>,
    /// What a setting may become: NAME=MIN..MAX, NAME=owned:90,100 or NAME=min:0;max:4;step:0.25;usual:0;obtainable:500,550
    #[arg(long, value_name = "NAME=LIMIT", value_parser = limit, help_heading = "What may be changed")]
    pub limit: Vec<(String, Limit)>,
    /// The archer still grows: `yes` cuts nothing, `no` allows it
    #[arg(long, value_name = "yes|no", value_parser = yes_or_no, help_heading = "What may be changed")]
    pub growing: Option<bool>,
    /// What the bow is tuned for, like "indoor 18 m"
    #[arg(long, value_name = "TEXT", help_heading = "What may be changed")]
    pub goal: Option<String>,
    /// Looked at before the next end, with nothing found: scale, bolt-stop, contact, tags, mass, brace-height, centre-shot, plunger,
    /// form
    #[arg(long, value_name = "CODES", value_delimiter = ',')]
    pub checked: Vec<String>,
    /// Seen to before the first change: centre-shot, clearance, brace-height, nock-fit
    #[arg(long, value_name = "CODES", value_delimiter = ',')]
    pub ticked: Vec<String>,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}

fn yes_or_no(text: &str) -> Result<bool, String> {
    match text {
        "yes" | "true" => Ok(true),
        "no" | "false" => Ok(false),
        _ => Err("write yes or no".to_owned()),
    }
}

impl Setup {
    /// The set-up of these flags, without limits and the bow's name.
    #[must_use]
    pub fn setup(&self) -> crate::record::Setup {
        let mut setup = crate::record::Setup {
            shafts: self.shafts.clone(),
            bolt_lb_per_turn: self.lb_per_turn,
            plunger_clicks_per_turn: self.clicks_per_turn,
            tolerance_30m_mm: self.tolerance,
            keep: (!self.keep.is_empty()).then(|| self.keep.clone()),
            growing: self.growing,
            goal: self.goal.clone(),
            ..crate::record::Setup::default()
        };
        self.settings.fill(&mut setup);
        setup
    }

    /// Whether no flag is given.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.setup() == crate::record::Setup::default()
            && self.session.to_session() == Session::default()
            && self.limit.is_empty()
            && self.arrow.is_empty()
            && self.face.is_none()
            && self.checked.is_empty()
            && self.ticked.is_empty()
    }
}

/// `NAME=MIN..MAX`, or parts with their names between semicolons.
fn limit(text: &str) -> Result<(String, Limit), String> {
    let wanted = "write NAME=MIN..MAX, like bolt_turns_out=0..4 or shaft_length_mm=711.., or NAME=owned:90,100";
    let (setting, values) = text.split_once('=').ok_or(wanted)?;
    let mut limit = Limit::default();
    let bound = |t: &str| -> Result<Option<f64>, String> {
        if t.trim().is_empty() {
            Ok(None)
        } else {
            number(t).map(Some)
        }
    };
    for part in values.split(';').map(str::trim).filter(|p| !p.is_empty()) {
        if let Some((min, max)) = part.split_once("..") {
            (limit.min, limit.max) = (bound(min)?, bound(max)?);
            continue;
        }
        let (name, value) = part.split_once(':').ok_or(wanted)?;
        match name.trim() {
            "min" => limit.min = bound(value)?,
            "max" => limit.max = bound(value)?,
            "step" => limit.step = bound(value)?,
            "usual" => limit.usual = bound(value)?,
            "owned" => limit.owned = Some(numbers(value)?),
            "obtainable" => limit.obtainable = Some(numbers(value)?),
            other => {
                let known = crate::record::keys::nearest(other, crate::record::keys::LIMIT, 3);
                return Err(format!(
                    "`{other}` is no part of a limit: did you mean {}?",
                    known.join(", ")
                ));
            }
        }
    }
    if limit == Limit::default() {
        return Err(wanted.to_owned());
    }
    Ok((setting.trim().to_owned(), limit))
}

fn arrow(text: &str) -> Result<NamedArrow, String> {
    let wanted = "write MARK:LOOK, like 7:fletched,nock=green,vanes=red+white or B:bare,nock=white";
    // the mark may hold colons, the look doesn't
    let (mark, look) = text.rsplit_once(':').unwrap_or((text, ""));
    if mark.contains([',', '=']) {
        return Err(format!("the arrow's mark ends with a colon: {wanted}"));
    }
    let mut arrow = NamedArrow {
        arrow: mark.trim().to_owned(),
        ..NamedArrow::default()
    };
    for part in look.split(',').map(str::trim).filter(|p| !p.is_empty()) {
        match part.split_once('=') {
            None if part == "fletched" => arrow.kind = Some(ArrowKind::Fletched),
            None if part == "bare" => arrow.kind = Some(ArrowKind::Bare),
            Some(("nock", colour)) => arrow.nock = Some(colour.trim().to_owned()),
            Some(("vanes", colours)) => {
                arrow.vanes = Some(colours.split('+').map(|c| c.trim().to_owned()).collect());
            }
            _ => return Err(format!("`{part}` says nothing of an arrow: {wanted}")),
        }
    }
    Ok(arrow)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn limits_are_ranges_lists_or_parts() {
        let parsed = |text: &str| limit(text).expect("limit");
        let (name, range) = parsed("bolt_turns_out=0..4");
        assert_eq!(
            (name.as_str(), range.min, range.max),
            ("bolt_turns_out", Some(0.0), Some(4.0))
        );
        assert_eq!(parsed("shaft_length_mm=711..").1.max, None);
        let both = parsed("shaft_spine=owned:600;obtainable:500,550").1;
        assert_eq!(
            (both.owned, both.obtainable),
            (Some(vec![600.0]), Some(vec![500.0, 550.0]))
        );
        assert_eq!(
            parsed("plunger_clicks=-8..8;usual:0;step:1").1.step,
            Some(1.0)
        );
        for bad in ["bolts", "a=", "a=4", "a=owend:3", "a=x..y"] {
            assert!(limit(bad).is_err(), "{bad}");
        }
    }
}
