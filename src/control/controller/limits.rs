//! Scaling that keeps the direction of bend: one factor for all motors, never for one alone.

/// Returns the max factor in [0, 1] for which every `|factor part_i| <= most_i`; items are
/// `(part, most)`. Work: one pass.
pub fn factor_within(part: impl Iterator<Item = (f64, f64)>) -> f64 {
    part.fold(1.0, |factor, (value, most)| {
        let size = value.abs();
        if size > most {
            f64::min(factor, most / size)
        } else {
            factor
        }
    })
}

/// Returns the max factor in [0, 1] for which every `base_i + factor part_i` is in
/// `[low_i, high_i]`; items are `(base, part, low, high)`. It is 0 if a base is outside its
/// interval and its part points outward. Work: one pass.
pub fn factor_inside(items: impl Iterator<Item = (f64, f64, f64, f64)>) -> f64 {
    items.fold(1.0, |factor, (base, part, low, high)| {
        let room = if part > 0.0 { high - base } else { base - low };
        if part.abs() > room {
            f64::min(factor, (room / part.abs()).max(0.0))
        } else {
            factor
        }
    })
}

/// Returns `value` with a dead zone of `[-band, band]`.
pub fn dead_zone(value: f64, band: f64) -> f64 {
    value - value.clamp(-band, band)
}
