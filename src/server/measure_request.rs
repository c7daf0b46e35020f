//! How a photo is to be measured: another face, another of several, another upright, points marked by hand.

use super::http::Answer;
use crate::face::spec::FaceSpec;
use crate::geometry::ImagePoint;
use crate::manual_points::{self, Points};
use crate::measure::MeasureOptions;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

/// How a photo is to be measured, as the page says it.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub(super) struct MeasureRequest {
    #[serde(default)]
    pub(super) face: Option<String>,
    /// A point on the face to measure, px.
    #[serde(default)]
    pub(super) near: Option<[f64; 2]>,
    /// Two points on a vertical line of the face, the lower first, px.
    #[serde(default)]
    pub(super) vertical: Option<[[f64; 2]; 2]>,
    /// Points marked by hand, as in a points file; without them the camera is fitted to the rings.
    #[serde(default)]
    pub(super) points: Option<Value>,
}

impl MeasureRequest {
    /// This request, with the face and the upright that an earlier one picked.
    pub(super) fn or(&self, earlier: &Self) -> Self {
        Self {
            near: self.near.or(earlier.near),
            vertical: self.vertical.or(earlier.vertical),
            ..self.clone()
        }
    }

    /// Enters what was marked into the options of measuring.
    ///
    /// # Errors
    /// The answer when the points can't be used.
    pub(super) fn enter_into(
        &self,
        options: &mut MeasureOptions,
        face: Option<&FaceSpec>,
    ) -> Result<(), Answer> {
        let list = self.points.as_ref().zip(face);
        options.points = list.map(|(l, f)| parse_points(l, f)).transpose()?;
        let point = |[x, y]: [f64; 2]| ImagePoint::new(x, y);
        let fit = &mut options.fit;
        fit.near = self.near.map(point).or(fit.near);
        fit.vertical = self.vertical.map(|v| v.map(point)).or(fit.vertical);
        Ok(())
    }
}

/// Points as the page sends them: the list of a points file.
pub(super) fn parse_points(list: &Value, face: &FaceSpec) -> Result<Points, Answer> {
    let file = json!({"schema": manual_points::SCHEMA, "points": list});
    Points::parse(file.to_string().as_bytes(), face)
        .map_err(|e| Answer::problem(422, "points", &e.to_string()))
}
