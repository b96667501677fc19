use super::*;
use proptest::prelude::*;

fn tpu() -> Thermal {
    Thermal::new(0.2, 1700.0, Density::from_g_cm3(1.15)).unwrap()
}

/// From 1 to 0, so that temperatures are theta.
const UNIT: Temperatures = Temperatures { laid: 1.0, below: 0.0, air: 0.0 };

/// A layer without base whose Bi is given and whose Fo is the time in s.
fn wall(biot: f64) -> Layer {
    let even = Thermal::new(1.0, 1.0, Density::from_g_cm3(1e-3)).unwrap();
    Layer::new(&even, 1000.0, 0.0, biot).unwrap()
}

/// First roots and coefficients; Incropera's table 5.1 prints four digits of them.
#[test]
fn roots_and_coefficients_of_the_plane_wall() {
    let rows = [
        (0.01, 0.099_834, 1.001_661),
        (0.02, 0.140_952, 1.003_310),
        (0.05, 0.221_760, 1.008_189),
        (0.1, 0.311_053, 1.016_094),
        (0.2, 0.432_841, 1.031_088),
        (0.3, 0.521_791, 1.045_047),
        (0.4, 0.593_242, 1.058_039),
        (0.5, 0.653_271, 1.070_128),
        (0.7, 0.750_558, 1.091_848),
        (1.0, 0.860_334, 1.119_132),
        (2.0, 1.076_874, 1.178_456),
        (3.0, 1.192_459, 1.210_226),
        (5.0, 1.313_838, 1.240_249),
        (10.0, 1.428_870, 1.261_963),
        (20.0, 1.496_129, 1.269_916),
        (100.0, 1.555_245, 1.273_088),
    ];
    for (biot, z, coefficient) in rows {
        assert!((root(biot, 0) - z).abs() < 5.1e-7, "{biot}");
        // Late, the first term is all: theta = C1 exp(-z² Fo).
        let late = wall(biot).temperature(UNIT, Place::Back, 2.0) * (z * z * 2.0_f64).exp();
        assert!((late - coefficient).abs() < 5e-6, "{biot}: {late}");
    }
    for index in 0..TERMS {
        let z = root(0.37, index);
        assert!((z * z.sin() - 0.37 * z.cos()).abs() < 1e-9, "{index}");
    }
}

/// Incropera's pipe wall (inputs from memory): 40 mm, -20 °C, 60 °C oil, 480 s; the book says 42.9 °C by its table.
#[test]
fn worked_pipe_wall() {
    let steel = Thermal::new(63.9, 63.9 / 18.8e-6 / 7832.0, Density::from_g_cm3(7.832)).unwrap();
    let layer = Layer::new(&steel, 40.0, 0.0, 500.0).unwrap();
    assert!((layer.biot() - 0.312_989).abs() < 1e-6);
    let oil = Temperatures { laid: -20.0, below: 0.0, air: 60.0 };
    assert!((layer.temperature(oil, Place::Back, 480.0) - 43.017).abs() < 1e-3);
}

#[test]
fn how_far_the_lumped_time_is_off() {
    for (biot, percent) in [(0.05, -2.1), (0.1, -4.2), (0.2, -8.1), (0.5, -18.1), (1.0, -30.8)] {
        let exact = wall(biot).time_s(UNIT, Place::Back, 0.2).unwrap();
        let lumped = -0.2_f64.ln() / biot;
        assert!((100.0 * (lumped / exact - 1.0) - percent).abs() < 0.051, "{biot}");
    }
}

/// Walls of TPU cooled from both faces, 210 to 80 °C in 25 °C air: times of bodies of even temperature, from a table, and the
/// exact ones above.
#[test]
fn walls_of_tpu() {
    for (wall, film, biot, lumped) in [(2.0, 10.0, 0.05, 237.15), (2.0, 50.0, 0.25, 47.43), (1.0, 50.0, 0.125, 23.71)] {
        let layer = Layer::new(&tpu(), wall / 2.0, 0.0, film).unwrap();
        assert!((layer.biot() - biot).abs() < 1e-12);
        let at = Temperatures { laid: 210.0, below: 25.0, air: 25.0 };
        let [surface, mean, back] =
            [Place::Surface, Place::Mean, Place::Back].map(|place| layer.time_s(at, place, 80.0).unwrap());
        assert!(surface < mean && mean < back && back > lumped && back < lumped * (1.0 + 0.6 * biot));
        assert!((layer.temperature(at, Place::Mean, mean) - 80.0).abs() < 1e-9);
    }
}

/// Layer and base by small steps of a hundred cells, the plain slow way.
#[test]
fn a_layer_on_a_base_by_small_steps() {
    let at = Temperatures { laid: 210.0, below: 60.0, air: 25.0 };
    let layer = Layer::new(&tpu(), 1.0, 1.0, 40.0).unwrap();
    let (cells, width) = (100, 2.0e-3 / 100.0);
    let (k, heat, dt) = (0.2, 1700.0 * 1150.0, 1e-3);
    let mut field: Vec<f64> = (0..cells).map(|cell| if cell < cells / 2 { at.below } else { at.laid }).collect();
    for _ in 0..10_000 {
        let mut flows = vec![0.0; cells + 1];
        for cell in 1..cells {
            flows[cell] = k * (field[cell - 1] - field[cell]) / width;
        }
        flows[cells] = (field[cells - 1] - at.air) / (1.0 / 40.0 + width / 2.0 / k);
        for cell in 0..cells {
            field[cell] += dt * (flows[cell] - flows[cell + 1]) / (heat * width);
        }
    }
    let mean = field[cells / 2..].iter().sum::<f64>() / (cells / 2) as f64;
    assert!((layer.temperature(at, Place::Mean, 10.0) - mean).abs() < 0.05, "{mean}");
    let contact = 0.5 * (field[cells / 2 - 1] + field[cells / 2]);
    assert!((layer.temperature(at, Place::Back, 10.0) - contact).abs() < 0.05, "{contact}");
}

#[test]
fn nonsense_has_no_answer() {
    let layer = Layer::new(&tpu(), 1.0, 1.0, 40.0).unwrap();
    let at = Temperatures { laid: 210.0, below: 60.0, air: 25.0 };
    for until in [25.0, 20.0, f64::NAN, f64::NEG_INFINITY] {
        assert!(layer.time_s(at, Place::Mean, until).is_err());
    }
    assert!(layer.time_s(Temperatures { below: 10.0, ..at }, Place::Mean, 80.0).is_err());
    assert!(layer.time_s(Temperatures { air: f64::NAN, ..at }, Place::Mean, 80.0).is_err());
    assert!(layer.time_s(Temperatures { laid: f64::INFINITY, ..at }, Place::Mean, 80.0).is_err());
    assert_eq!(layer.time_s(at, Place::Mean, 210.0), Ok(0.0));
    for wrong in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert!(Layer::new(&tpu(), wrong, 0.0, 10.0).is_err() && Layer::new(&tpu(), 1.0, 0.0, wrong).is_err());
        assert!(Thermal::new(wrong, 1.0, Density::from_g_cm3(1.0)).is_err());
    }
    assert!(Layer::new(&tpu(), 1.0, 101.0, 10.0).is_err());
}

proptest! {
    #[test]
    fn thicker_and_colder_takes_longer_and_a_fan_less(
        thickness in 0.2..4.0_f64, base in 0.0..3.0_f64, film in 2.0..200.0_f64, until in 40.0..150.0_f64,
    ) {
        let at = Temperatures { laid: 210.0, below: 30.0, air: 25.0 };
        let time = |thickness: f64, film: f64, until: f64| {
            Layer::new(&tpu(), thickness, base * thickness, film).unwrap().time_s(at, Place::Mean, until).unwrap()
        };
        let found = time(thickness, film, until);
        prop_assert!(found > 0.0 && found.is_finite());
        prop_assert!(time(thickness * 1.2, film, until) > found);
        prop_assert!(time(thickness, film * 1.2, until) < found);
        prop_assert!(time(thickness, film, until - 5.0) > found);
    }
}
