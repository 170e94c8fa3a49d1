use super::*;
use Freshness::{Fresh, Held, Missing};

const SEC: i64 = 1_000_000;

/// What a test keeps of a snapshot: time in seconds, then value and freshness per point.
type Kept = (f64, Vec<(f64, Freshness)>);

fn params(cadence_secs: Option<f64>, allowed_lateness_secs: f64) -> AlignParams {
    AlignParams { cadence_secs, allowed_lateness_secs, ..AlignParams::default() }
}

struct Rig {
    aligner: Aligner,
    kept: Vec<Kept>,
}

impl Rig {
    fn new(points: u16, params: AlignParams) -> Self {
        let mut aligner = Aligner::new(params.check().expect("in range"));
        aligner.ensure_points(points);
        Self { aligner, kept: Vec::new() }
    }

    fn run(&mut self, act: impl FnOnce(&mut Aligner, &mut dyn FnMut(SnapshotView<'_>))) {
        let kept = &mut self.kept;
        act(&mut self.aligner, &mut |view| kept.push((view.at().0 as f64 / SEC as f64, view.cells().collect())));
    }

    fn push(&mut self, point: u16, secs: f64, value: f64) -> Verdict {
        let mut verdict = Verdict::Unusable;
        self.run(|aligner, mut emit| verdict = aligner.push(point, EventTime(0).plus_secs(secs), value, &mut emit));
        verdict
    }

    fn tick(&mut self, secs: f64) {
        self.run(|aligner, mut emit| aligner.tick(EventTime(0).plus_secs(secs), &mut emit));
    }

    fn flush(&mut self) {
        self.run(|aligner, mut emit| aligner.flush(&mut emit));
    }

    fn times(&self) -> Vec<f64> {
        self.kept.iter().map(|(at, _)| *at).collect()
    }
}

#[test]
fn every_fault_of_the_settings_is_named() {
    let nan = f64::NAN;
    let bad = AlignParams { cadence_secs: Some(nan), hold_cadences: nan, allowed_lateness_secs: -1.0 };
    let names: Vec<_> = bad.check().expect_err("all out of range").iter().map(|f| f.name).collect();
    assert_eq!(names, ["cadence_secs", "hold_cadences", "allowed_lateness_secs"]);
    assert!(AlignParams::default().check().is_ok());
}

#[test]
fn points_of_one_round_share_a_snapshot_timed_by_the_latest() {
    let mut rig = Rig::new(3, params(Some(10.0), 0.0));
    for round in 0..3 {
        let start = f64::from(round) * 10.0;
        rig.push(0, start, 1.0);
        rig.push(1, start + 3.0, 2.0);
        rig.push(2, start + 7.0, 3.0);
    }
    rig.flush();
    assert_eq!(rig.times(), [7.0, 17.0, 27.0]);
    assert!(rig.kept.iter().all(|(_, cells)| *cells == [(1.0, Fresh), (2.0, Fresh), (3.0, Fresh)]));
}

#[test]
fn a_window_takes_readings_up_to_three_quarters_of_the_cadence_and_no_further() {
    let mut rig = Rig::new(2, params(Some(10.0), 0.0));
    rig.push(0, 0.0, 1.0);
    rig.push(1, 7.499_999, 2.0);
    rig.push(1, 7.5, 3.0);
    rig.flush();
    assert_eq!(rig.times(), [7.499_999, 7.5]);
}

#[test]
fn repeated_readings_are_averaged_or_the_last_one_stands() {
    let mut rig = Rig::new(2, params(Some(10.0), 0.0));
    rig.aligner.set_repeats(1, Repeats::Last);
    for (secs, value) in [(0.0, 1.0), (2.0, 2.0), (4.0, 6.0)] {
        rig.push(0, secs, value);
        rig.push(1, secs, value);
    }
    rig.flush();
    assert_eq!(rig.kept, [(4.0, vec![(3.0, Fresh), (6.0, Fresh)])]);
}

#[test]
fn a_missing_point_is_held_for_the_holding_time_and_then_nan() {
    let mut rig = Rig::new(2, params(Some(10.0), 0.0));
    rig.push(1, 0.0, 5.0);
    (0..4).for_each(|round| {
        rig.push(0, f64::from(round) * 10.0, 1.0);
    });
    let mut known = None;
    rig.run(|aligner, _| aligner.flush(&mut |view| known = view.last_known(1)));
    let second: Vec<_> = rig.kept.iter().map(|(_, cells)| cells[1].1).collect();
    assert_eq!(second, [Fresh, Held, Held]);
    assert_eq!(rig.kept[2].1[1].0, 5.0);
    // The fourth, 30 s on, is past the two and a half cadences; what was last known can still be asked for.
    assert_eq!(known, Some((EventTime(0), 5.0)));

    rig.push(0, 40.0, 1.0);
    rig.flush();
    let last = rig.kept.last().expect("one more").1[1];
    assert!(last.0.is_nan() && last.1 == Missing);
}

#[test]
fn a_point_never_seen_is_missing_and_one_added_later_joins() {
    let mut rig = Rig::new(1, params(Some(10.0), 0.0));
    assert_eq!(rig.push(1, 0.0, 1.0), Verdict::Unusable);
    rig.push(0, 0.0, 1.0);
    rig.aligner.ensure_points(3);
    rig.push(1, 1.0, 2.0);
    rig.aligner.ensure_points(2);
    rig.flush();
    let cells = &rig.kept[0].1;
    assert_eq!((cells.len(), cells[1], cells[2].1), (3, (2.0, Fresh), Missing));
}

#[test]
fn the_same_again_is_a_duplicate_and_what_comes_after_closing_is_late() {
    for lateness in [0.0, 5.0] {
        let mut rig = Rig::new(2, params(Some(10.0), lateness));
        assert_eq!(rig.push(0, 0.0, 1.0), Verdict::Taken);
        assert_eq!(rig.push(0, 0.0, 9.0), Verdict::Duplicate);
        assert_eq!(rig.push(0, 7.5 + lateness, 1.0), Verdict::Taken);
        assert_eq!(rig.kept.len(), 1, "closed by the latest event time, lateness {lateness}");
        let before = rig.aligner.clone();
        assert_eq!(rig.push(1, 7.0, 9.0), Verdict::Late);
        assert_eq!(rig.push(0, 0.0, 9.0), if lateness > 0.0 { Verdict::Duplicate } else { Verdict::Late });
        for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert_eq!(rig.push(1, 9.0, value), Verdict::Unusable);
        }
        assert_eq!(rig.aligner, before, "none of these changes anything");
    }
}

/// One point's gateway is half a cadence ahead and its message comes first: the window is moved back to the slow one.
#[test]
fn two_clocks_half_a_cadence_apart_lose_nothing() {
    let mut rig = Rig::new(2, params(Some(10.0), 0.0));
    for round in 0..5 {
        let now = f64::from(round) * 10.0;
        assert_eq!(rig.push(0, now + 5.0, 1.0), Verdict::Taken);
        assert_eq!(rig.push(1, now, 2.0), Verdict::Taken);
    }
    rig.flush();
    assert_eq!(rig.times(), [5.0, 15.0, 25.0, 35.0, 45.0]);
    assert!(rig.kept.iter().all(|(_, cells)| *cells == [(1.0, Fresh), (2.0, Fresh)]));
}

#[test]
fn within_the_lateness_order_does_not_matter() {
    let mut rig = Rig::new(1, params(Some(10.0), 25.0));
    for secs in [20.0, 0.0, 10.0, 30.0, 50.0, 40.0] {
        assert_eq!(rig.push(0, secs, secs), Verdict::Taken);
    }
    rig.flush();
    assert_eq!(rig.times(), [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]);
}

#[test]
fn a_tick_closes_when_due_and_a_microsecond_earlier_does_nothing() {
    for lateness in [0.0, 4.0] {
        let mut rig = Rig::new(1, params(Some(10.0), lateness));
        assert_eq!(rig.aligner.next_close_at(), None);
        rig.push(0, 2.0, 1.0);
        let due = 2.0 + 7.5 + lateness;
        assert_eq!(rig.aligner.next_close_at(), Some(EventTime(0).plus_secs(due)));
        let before = rig.aligner.clone();
        rig.tick(due - 1e-6);
        assert_eq!((rig.kept.len(), &rig.aligner), (0, &before));
        rig.tick(due);
        assert_eq!(rig.times(), [2.0]);
        assert_eq!(rig.aligner.next_close_at(), None);
    }
}

#[test]
fn the_cadence_is_inferred_and_no_reading_is_lost_meanwhile() {
    let mut rig = Rig::new(2, params(None, 0.0));
    for round in 0..20 {
        let now = f64::from(round) * 300.0;
        assert_eq!(rig.aligner.cadence_secs(), (round >= 9).then_some(300.0), "round {round}");
        assert_eq!(rig.push(0, now, f64::from(round)), Verdict::Taken);
        assert_eq!(rig.push(0, now, 99.0), Verdict::Duplicate);
        assert_eq!(rig.push(1, now + 2.0, f64::from(round)), Verdict::Taken);
    }
    rig.flush();
    let want: Vec<f64> = (0..20).map(|round| f64::from(round) * 300.0 + 2.0).collect();
    assert_eq!(rig.times(), want);
    let values: Vec<f64> = rig.kept.iter().map(|(_, cells)| cells[0].0).collect();
    assert_eq!(values, (0..20).map(f64::from).collect::<Vec<_>>());
    assert_eq!(rig.aligner.waiting(), 0);
}

#[test]
fn one_fast_point_among_slow_ones_is_averaged() {
    let mut rig = Rig::new(4, params(None, 0.0));
    for secs in 0..400 {
        rig.push(0, f64::from(secs), 1.0);
        if secs % 10 == 0 {
            (1..4).for_each(|point| {
                rig.push(point, f64::from(secs), 2.0);
            });
        }
    }
    // The 64 readings that may wait cover fewer than eight rounds of the slow points, yet enough to see their pace.
    assert_eq!(rig.aligner.cadence_secs(), Some(10.0));
}

#[test]
fn data_that_end_before_the_cadence_is_known_are_flushed_all_the_same() {
    let mut rig = Rig::new(1, params(None, 0.0));
    rig.flush();
    assert_eq!(rig.aligner.cadence_secs(), None, "nothing came, nothing is decided");
    [0.0, 60.0, 120.0].into_iter().for_each(|secs| {
        rig.push(0, secs, 1.0);
    });
    rig.tick(1e6);
    assert_eq!(rig.kept.len(), 0, "a tick decides nothing either");
    rig.flush();
    assert_eq!((rig.times(), rig.aligner.cadence_secs()), (vec![0.0, 60.0, 120.0], Some(60.0)));

    let mut rig = Rig::new(1, params(None, 0.0));
    rig.push(0, 5.0, 1.0);
    rig.flush();
    assert_eq!((rig.times(), rig.aligner.cadence_secs()), (vec![5.0], Some(1.0)));
}

#[test]
fn what_waits_is_bounded_however_long_the_lateness() {
    let mut rig = Rig::new(2, params(Some(1.0), 1e6));
    for i in 0..2000 {
        assert_eq!(rig.push(i % 2, f64::from(i) * 0.5, 1.0), Verdict::Taken);
        assert!(rig.aligner.waiting() <= 64);
    }
    rig.flush();
    let fresh: usize = rig.kept.iter().flat_map(|(_, cells)| cells).filter(|(_, f)| *f == Fresh).count();
    assert_eq!(fresh, 2000, "gone on early, not lost");
}

#[test]
fn memory_is_as_the_page_says() {
    assert_eq!((size_of::<Slot>(), size_of::<Waiting>()), (32, 24));
}

#[test]
fn in_steady_state_the_buffers_stay_where_they_are() {
    let mut rig = Rig::new(4, params(Some(1.0), 3.0));
    let mut before = None;
    for i in 0..400u16 {
        rig.push(i % 4, f64::from(i / 4), 1.0);
        if i == 100 {
            before = Some((rig.aligner.slots.as_ptr(), rig.aligner.waiting.capacity()));
        }
    }
    assert_eq!(before, Some((rig.aligner.slots.as_ptr(), rig.aligner.waiting.capacity())));
}

#[test]
fn the_ends_of_time_neither_overflow_nor_hang() {
    for lateness in [0.0, 5.0] {
        let mut rig = Rig::new(1, params(Some(10.0), lateness));
        let mut push = |at: i64| {
            let mut verdict = Verdict::Unusable;
            rig.run(|aligner, mut emit| verdict = aligner.push(0, EventTime(at), 1.0, &mut emit));
            verdict
        };
        assert_eq!(push(i64::MIN), Verdict::Unusable);
        assert_eq!(push(i64::MIN + 1), Verdict::Taken);
        assert_eq!(push(0), Verdict::Taken);
        assert_eq!(push(i64::MAX), Verdict::Taken);
        assert_eq!(push(i64::MAX), Verdict::Duplicate);
        rig.run(|aligner, mut emit| aligner.tick(EventTime(i64::MAX), &mut emit));
        rig.flush();
        assert_eq!(rig.kept.len(), 3);
    }
}
