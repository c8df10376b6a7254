use proptest::prelude::*;

use super::*;
use crate::block::CurvedMove;
use crate::geometry::{Cubic, Curve};

/// A chain of single moves between two stops, planned; the speeds at all joints.
fn plan(moves: &[(Bounds, f64, f64)], rest: f64, window: u32) -> (Vec<f64>, Vec<f64>) {
    let mut scan = JerkLookAhead::new(LookAhead::Moves(window), [1e12; 4]);
    for &(bounds, length_mm, cap) in moves {
        scan.push(bounds, length_mm, cap * cap, false);
        scan.settle();
    }
    scan.stop(rest * rest);
    let mut speeds = vec![scan.settled[0].start_mm_s];
    speeds.extend(scan.settled.iter().map(|done| done.end_mm_s));
    (speeds, scan.settled.iter().map(|done| done.time_s).collect())
}

fn moves() -> impl Strategy<Value = Vec<(Bounds, f64, f64)>> {
    let one = (1u32..40, 0.0..1.0f64, 0.0..1.0f64, 0usize..3).prop_map(|(feed, length, cap, kind)| {
        let [accel_mm_s2, jerk_mm_s3] = [[1500.0, 1e5], [3000.0, 6e4], [500.0, 1e6]][kind];
        let feed_mm_s = f64::from(feed) * 4.0;
        (Bounds { feed_mm_s, accel_mm_s2, jerk_mm_s3 }, 0.02 + 4.0 * length * length * length, cap)
    });
    prop::collection::vec(one, 1..=6).prop_map(|mut chain| {
        for k in 0..chain.len() {
            let before = if k > 0 { chain[k - 1].0.feed_mm_s } else { 8.0 };
            chain[k].2 *= before.min(chain[k].0.feed_mm_s);
        }
        chain
    })
}

/// Speeds tried at a joint.
const TRIED: usize = 30;

/// Whether the speeds keep the caps, and each move is long enough for its change.
fn is_possible(moves: &[(Bounds, f64, f64)], speeds: &[f64], rest: f64) -> bool {
    let room = 1.0 + 1e-9;
    moves.iter().enumerate().all(|(k, &(bounds, length_mm, cap))| {
        let (start, end) = (speeds[k], speeds[k + 1]);
        let least = moves.get(k + 1).map_or(rest, |next| next.2).min(bounds.feed_mm_s);
        start <= cap * room && end <= least * room && bounds.way_mm(start, end) <= length_mm * room + 1e-9
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, ..ProptestConfig::default() })]

    /// No chain of speeds that brute force finds takes less time.
    #[test]
    fn two_passes_find_the_least_time(moves in moves(), rest in 0.0..1.0f64) {
        let rest = rest * 8.0f64.min(moves[moves.len() - 1].0.feed_mm_s);
        let (speeds, times) = plan(&moves, rest, 16);
        prop_assert!(is_possible(&moves, &speeds, rest), "{speeds:?}");
        let took = |bounds: Bounds, ends: [f64; 2], length_mm: f64| {
            let mut sum = 0.0;
            bounds.course(ends, length_mm, |piece| sum += piece.seconds);
            sum
        };
        // Backwards: the least time from each speed of a grid at each joint.
        let mut least: Vec<(f64, f64)> = vec![(0.0, 0.0), (rest, 0.0)];
        for &(bounds, length_mm, cap) in moves.iter().rev() {
            let from = |from: f64| {
                let open = least.iter().filter(|(to, _)| {
                    *to <= bounds.feed_mm_s && bounds.way_mm(from, *to) <= length_mm
                });
                let times = open.map(|(to, time)| time + took(bounds, [from, *to], length_mm));
                times.min_by(f64::total_cmp).map(|time| (from, time))
            };
            least = (0..=TRIED).filter_map(|n| from(cap * n as f64 / TRIED as f64)).collect();
        }
        let least = least.into_iter().map(|(_, time)| time).fold(f64::INFINITY, f64::min);
        // Squared speeds are rounded down to 2⁻²⁰ (mm/s)².
        prop_assert!(times.iter().sum::<f64>() <= least + 1e-5, "{times:?}, {least} s");
    }

    /// Also where a controller knows few moves, the next ones can always be driven.
    #[test]
    fn a_short_window_never_runs_into_a_corner(moves in prop::collection::vec(moves(), 4..40), window in 1u32..100) {
        let moves: Vec<_> = moves.concat();
        let mut free = moves.clone();
        for k in 1..free.len() {
            free[k].2 = moves[k].2.min(moves[k - 1].0.feed_mm_s);
        }
        let (speeds, _) = plan(&free, 0.0, window);
        prop_assert!(is_possible(&free, &speeds, 0.0), "{speeds:?}");
    }

    /// A window plans as all moves do that are known in it, move by move, whenever they come.
    #[test]
    fn when_moves_come_changes_nothing(
        count in 1usize..700, window in 1u32..200, seed in 0u64..1000, joins in 0.0..1.0f64,
    ) {
        let number = |k: usize, of: u64| {
            let mixed = (k as u64 + 1).wrapping_mul(seed.wrapping_mul(2) + of).wrapping_mul(0x9E37_79B9_7F4A_7C15);
            (mixed >> 40) as f64 / (1u64 << 24) as f64
        };
        let bounds = |k: usize| Bounds { feed_mm_s: 100.0, accel_mm_s2: 1000.0 + number(k, 7), jerk_mm_s3: 1e5 };
        let run = |early: bool, every: usize| {
            let look_ahead = if early { LookAhead::Unlimited } else { LookAhead::Moves(window) };
            let mut scan = JerkLookAhead::new(look_ahead, [1e12; 4]);
            // So that chains outgrow what "unlimited" means.
            (scan.window, scan.run_most) = (window as usize, (window as usize / OF_WINDOW).clamp(1, RUN_MOST));
            for k in 0..count {
                let cap = 100.0 * number(k, 1);
                let length_mm = 0.05 + 2.0 * number(k, 3);
                scan.lengths_mm.push_back(length_mm);
                scan.push(bounds(k), length_mm, cap * cap, number(k, 5) < joins);
                if k.is_multiple_of(every) {
                    scan.settle();
                }
            }
            scan.stop(1.0);
            scan.settled.iter().map(|done| (done.start_mm_s, done.end_mm_s, done.time_s)).collect::<Vec<_>>()
        };
        for early in [false, true] {
            let all = run(early, usize::MAX);
            prop_assert_eq!(all.len(), count);
            for every in [1, 7, 64] {
                prop_assert_eq!(&run(early, every), &all);
            }
        }
    }
}

/// Columns of a block against each move and each corner by itself, curves among them.
#[test]
fn columns_say_what_each_move_says() {
    let mut bits = crate::vectors::columns::without_pattern(29);
    let mut random = || (bits() >> 11) as f64 / (1u64 << 53) as f64;
    let jerk_mm_s3 = [1e5, 8e4, 1e4, 2e5];
    let (mut block, mut caps) = (Block::default(), Vec::new());
    for _ in 0..200 {
        let i = block.add();
        let angle = 0.06 * random();
        (block.dir[0][i], block.dir[1][i], block.dir[E][i]) = (angle.cos(), angle.sin(), random());
        block.flags[i] = if random() < 0.9 { flag::PATH | flag::X } else { 0 };
        block.feed_mm_s[i] = 60.0 + (2.0 * random()).floor();
        caps.push(grid::squared_down(60.0 * 60.0 + (3.0 * random()).floor() - 1.0));
        if random() < 0.2 {
            let points = [[0.0; 2]; 4];
            let dir_end = [(-angle).cos(), (-angle).sin(), 0.0];
            block.curves.push(CurvedMove { at: i, curve: Curve::Cubic(Cubic { points }), dir_end });
        }
    }
    let (range, mut columns) = (3..190, Columns::default());
    columns.fill(&block, range.clone(), jerk_mm_s3, &caps[range.clone()]);
    let mut straight_on = 0;
    for (k, i) in range.enumerate() {
        let mut shares = [0, 1, 2, E].map(|axis| block.dir[axis][i].abs());
        if block.bend(i).is_some() {
            (shares[0], shares[1]) = (1.0, 1.0);
        }
        let most = (0..4).map(|axis| jerk_mm_s3[axis] / shares[axis]).fold(f64::INFINITY, f64::min);
        assert!((columns.jerk_mm_s3[k] / most - 1.0).abs() < 1e-15, "{i}");
        if k > 0 {
            assert_eq!(columns.goes_on[k], Ended::of(&block, i - 1).goes_on(&block, i, caps[i]), "{i}");
            straight_on += usize::from(columns.goes_on[k]);
        }
    }
    assert!((20..170).contains(&straight_on), "{straight_on}");
}
