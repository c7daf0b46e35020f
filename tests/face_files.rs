//! The built-in faces against the rulebook's construction: ten zones of equal width, so that the diameter of a zone is
//! (11 − score)/10 of the nominal diameter (World Archery Book 2, chapter 7.2, as restated in national rule summaries; the
//! indoor 40 cm face's inner ten is 20 mm, its ten 40 mm).

use bossmark::face::spec::{self, Colour};

#[test]
fn target_faces_follow_the_ten_equal_zones() {
    let mut seen = 0;
    for face in spec::known().iter().filter(|f| f.name.starts_with("wa-")) {
        for zone in &face.zones {
            let tenths = if zone.inner {
                0.5
            } else {
                f64::from(11 - zone.score)
            };
            assert!(
                (zone.diameter_mm - tenths * face.diameter_mm / 10.0).abs() < 1e-9,
                "{} {zone:?}",
                face.name
            );
            let colour = match zone.score {
                9 | 10 => Colour::Yellow,
                7 | 8 => Colour::Red,
                5 | 6 => Colour::Blue,
                3 | 4 => Colour::Black,
                _ => Colour::White,
            };
            assert_eq!(zone.colour, colour, "{} {zone:?}", face.name);
            seen += 1;
        }
    }
    // ten zones, six, five, trimmed to eight and six, and spots of five; each with its inner ten
    assert_eq!(seen, 4 * 11 + 7 + 6 + 2 * 9 + 2 * 7 + 4 * 6);
}

#[test]
fn tens_of_the_published_faces() {
    // ten of the 122 cm face 12.2 cm (2008 Book 2, p. 40); 40 cm indoor: ten 4 cm, inner ten 2 cm
    let ten = |name: &str, inner: bool| {
        let face = spec::by_name(name).unwrap();
        face.zones
            .iter()
            .find(|z| z.score == 10 && z.inner == inner)
            .unwrap()
            .diameter_mm
    };
    assert!((ten("wa-122", false) - 122.0).abs() < 1e-9);
    assert!((ten("wa-40", false) - 40.0).abs() < 1e-9);
    assert!((ten("wa-40-3spot", true) - 20.0).abs() < 1e-9);
}

#[test]
fn three_spots_stand_a_spot_and_two_centimetres_apart() {
    for (name, apart) in [
        ("wa-40-3spot", 220.0),
        ("wa-40-3spot-triangle", 220.0),
        ("wa-60-3spot", 320.0),
        ("wa-60-3spot-triangle", 320.0),
    ] {
        let face = spec::by_name(name).unwrap();
        let s = &face.spots_mm;
        assert!(
            (s[0].distance(s[1]) - apart).abs() < 1e-3
                && (s[1].distance(s[2]) - apart).abs() < 1e-3,
            "{name}"
        );
        assert!((s.iter().map(|p| p.x).sum::<f64>()).abs() < 1e-9 && s[0].y > s[2].y);
        assert!((apart - 2.0 * face.outer_radius_mm() - 20.0).abs() < 1e-9);
    }
}

/// Figures from memory, held together by what is known of their construction: the indoor zones grow by 80 mm, the field zones by
/// fifths, and what is printed in one ink has no other colour.
#[test]
fn national_faces_follow_their_construction() {
    let diameters = |name: &str| -> Vec<f64> {
        let zones = &spec::by_name(name).unwrap().zones;
        zones.iter().map(|z| z.diameter_mm).collect()
    };
    assert_eq!(
        diameters("national-indoor-40"),
        [40.0, 80.0, 160.0, 240.0, 320.0, 400.0]
    );
    assert_eq!(diameters("national-indoor-40-5spot"), [40.0, 80.0, 160.0]);
    for cm in [20.0, 35.0, 50.0, 65.0] {
        let tenths = diameters(&format!("national-field-{cm}")).into_iter();
        let tenths: Vec<f64> = tenths.map(|d| (d / cm).round()).collect();
        assert_eq!(tenths, [1.0, 2.0, 6.0, 10.0]);
    }
    for face in spec::known()
        .iter()
        .filter(|f| f.name.starts_with("national-"))
    {
        let ink = if face.name.contains("field") {
            Colour::Black
        } else {
            Colour::Blue
        };
        for zone in &face.zones {
            let one_ink = [zone.colour, zone.line]
                .iter()
                .all(|c| *c == ink || *c == Colour::White);
            assert!(one_ink, "{} {zone:?}", face.name);
        }
    }
}

#[test]
fn five_spots_fill_a_square_of_the_nominal_size() {
    let face = spec::by_name("national-indoor-40-5spot").unwrap();
    let reach = |of: fn(&bossmark::geometry::FacePoint) -> f64| {
        let far = face.spots_mm.iter().map(of).fold(0.0, f64::max);
        far + face.outer_radius_mm()
    };
    assert!((2.0 * reach(|s| s.x) - face.diameter_mm).abs() < 1e-9);
    assert!((2.0 * reach(|s| s.y) - face.diameter_mm).abs() < 1e-9);
    assert!(face.spots_mm[0].y > 0.0 && face.spots_mm[2].distance(Default::default()) < 1e-9);
}
