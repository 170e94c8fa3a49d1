//! Bearing frequencies and lives against published figures.

use roundsman_models::assess::bearing::BearingGeometry;
use roundsman_models::assess::rating_life::{RatingLife, RollingElement, reliability_factor};

fn close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance * want.abs(), "got {got}, want {want}");
}

/// Source: table printed with the public records of the CWRU Bearing Data Center for its 6205-2RS JEM bearing
/// (9 balls of 0.3126 in on 1.537 in); it differs from the formula in the fifth digit, hence 1e-4.
#[test]
fn the_published_6205_table() {
    let geometry =
        BearingGeometry { elements: 9, element_diameter: 0.3126, pitch_diameter: 1.537, contact_angle_deg: 0.0 };
    let orders = geometry.orders().expect("a possible geometry");
    close(orders.bpfi, 5.4152, 1e-4);
    close(orders.bpfo, 3.5848, 1e-4);
    close(orders.ftf, 0.39828, 1e-4);
    close(orders.element_strike, 4.7135, 1e-4);
}

/// Source: worked example of a public page on bearing frequencies (blog.csdn.net/DXl__DXl, article 138228680, formulas of
/// Randall & Antoni 2011): 8 elements of 7.92 on 34.55 mm at 2400 r/min; printed to 0.01 Hz.
#[test]
fn a_bearing_with_eight_elements_at_2400_rpm() {
    let geometry =
        BearingGeometry { elements: 8, element_diameter: 7.92, pitch_diameter: 34.55, contact_angle_deg: 0.0 };
    let orders = geometry.orders().expect("a possible geometry");
    for (order, hz) in
        [(orders.bpfo, 123.32), (orders.bpfi, 196.68), (0.5 * orders.element_strike, 82.66), (orders.ftf, 15.42)]
    {
        assert!((40.0 * order - hz).abs() <= 0.006, "{} against {hz}", 40.0 * order);
    }
}

/// Source: kinematics of pure rolling: the cage passes every element once past each race point, so BPFO + BPFI = n.
#[test]
fn both_races_together_see_every_element_once_a_turn() {
    for (elements, angle) in [(7, 0.0), (12, 15.0), (16, 40.0)] {
        let geometry =
            BearingGeometry { elements, element_diameter: 11.0, pitch_diameter: 60.0, contact_angle_deg: angle };
        let orders = geometry.orders().expect("a possible geometry");
        close(orders.bpfo + orders.bpfi, f64::from(elements), 1e-12);
        close(orders.ftf * f64::from(elements), orders.bpfo, 1e-12);
    }
}

#[test]
fn impossible_geometry_is_refused_by_name() {
    let faults =
        BearingGeometry { elements: 2, element_diameter: f64::NAN, pitch_diameter: 30.0, contact_angle_deg: 90.0 }
            .orders()
            .expect_err("impossible");
    let names: Vec<_> = faults.iter().map(|f| f.name).collect();
    assert!(["elements", "element_diameter", "contact_angle_deg"].iter().all(|n| names.contains(n)), "{names:?}");
    let too_big = BearingGeometry { elements: 9, element_diameter: 40.0, pitch_diameter: 30.0, contact_angle_deg: 0.0 };
    assert!(too_big.orders().is_err());
}

/// Source: `golden/statistics.json`, `weibull.bearing_l10h`: ISO 281 in closed form, computed outside.
/// C 60 kN, P 6 kN, ball, 1500 r/min: 10^9 / (60 * 1500) = 11111.11 h; C 120, P 30, roller, 1000 r/min: 1693.23 h.
#[test]
fn two_rating_lives() {
    let ball = RatingLife { element: RollingElement::Ball, rating_kn: 60.0, load_kn: 6.0 };
    close(ball.hours(1500.0).expect("possible"), 11_111.111_111_111_111, 1e-9);
    close(ball.million_revolutions().expect("possible"), 1000.0, 1e-12);
    let roller = RatingLife { element: RollingElement::Roller, rating_kn: 120.0, load_kn: 30.0 };
    close(roller.hours(1000.0).expect("possible"), 1_693.227_788_766_079_8, 1e-9);
}

#[test]
fn a_life_without_load_or_speed_is_refused() {
    let idle = RatingLife { element: RollingElement::Ball, rating_kn: 60.0, load_kn: 0.0 };
    assert_eq!(idle.hours(1500.0).expect_err("no load").first().map(|f| f.name), Some("load_kn"));
    let ball = RatingLife { element: RollingElement::Ball, rating_kn: 60.0, load_kn: 6.0 };
    assert!(ball.hours(f64::NAN).is_err() && ball.hours(0.0).is_err());
    assert_eq!(reliability_factor(90), Some(1.0));
    assert_eq!(reliability_factor(42), None);
}
