//! Sheets that tests share.

/// An invented machine that starts from rest at every corner, so that closed forms hold.
pub(crate) const SHEET: &str = r#"
name = "Bench (invented)"
[travel]
x = [0, 300]
y = [0, 300]
z = [0, 300]
[motion]
feed_rate_limit_mm_s = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_limit_mm_s2 = { x = 1e9, y = 1e9, z = 1e9, e = 1e9 }
acceleration_mm_s2 = { printing = 1000, travel = 1000, retraction = 1000 }
corner = { jerk_mm_s = { x = 0, y = 0, z = 0, e = 0 } }
[[tool]]
filament_diameter_mm = 1.75
"#;
