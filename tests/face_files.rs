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
    assert_eq!(seen, 4 * 11 + 7 + 4 * 6);
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
