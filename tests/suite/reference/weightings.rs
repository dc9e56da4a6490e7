//! A-weighting, IEC 61672-1.

use takeproof::measure::floor::a_weight;

/// IEC 61672-1, table 3: A-weighting at the exact frequencies 1000 * 10^(n/10), printed to 0.1 dB.
#[test]
fn a_weighting_has_the_printed_values() {
    let printed = [
        -70.4, -63.4, -56.7, -50.5, -44.7, -39.4, -34.6, -30.2, -26.2, -22.5, -19.1, -16.1, -13.4,
        -10.9, -8.6, -6.6, -4.8, -3.2, -1.9, -0.8, 0.0, 0.6, 1.0, 1.2, 1.3, 1.2, 1.0, 0.5, -0.1,
        -1.1, -2.5, -4.3, -6.6, -9.3,
    ];
    for (i, wanted) in printed.into_iter().enumerate() {
        let hz = 1000.0 * 10f64.powf((i as f64 - 20.0) / 10.0);
        let db = 10.0 * a_weight(hz).log10();
        assert!(
            (db - wanted).abs() <= 0.0501,
            "{hz} Hz: {db}, printed {wanted}"
        );
    }
}
