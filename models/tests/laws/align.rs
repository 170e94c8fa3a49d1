//! Laws of the alignment.

use super::{BAD, stored};
use proptest::prelude::*;
use roundsman_models::EventTime;
use roundsman_models::manipulate::{AlignParams, Aligner, Freshness, SnapshotView, Verdict};

const POINTS: u16 = 4;
const CADENCE_SECS: f64 = 10.0;

/// A snapshot to the bit.
type Kept = (i64, Vec<(u64, Freshness)>);

#[derive(Debug, Clone, Copy)]
struct Sent {
    point: u16,
    at: i64,
    value: f64,
    /// How long it takes to arrive, microseconds.
    delay: i64,
}

fn keep(into: &mut Vec<Kept>) -> impl FnMut(SnapshotView<'_>) {
    |view| into.push((view.at().0, view.cells().map(|(value, fresh)| (value.to_bits(), fresh)).collect()))
}

fn aligner(cadence_secs: Option<f64>, allowed_lateness_secs: f64) -> Aligner {
    let params = AlignParams { cadence_secs, allowed_lateness_secs, ..AlignParams::default() };
    let mut aligner = Aligner::new(params.check().expect("in range"));
    aligner.ensure_points(POINTS);
    aligner
}

/// Readings over about 20 cadences in half-second steps, so that equal times and window edges do occur; in their order
/// of arrival when each is delayed by up to `most_secs`.
fn sent(most_secs: i64) -> impl Strategy<Value = Vec<Sent>> {
    let one = (0..POINTS, 0i64..400, -1e3..1e3f64, 0..=most_secs * 2);
    prop::collection::vec(one, 1..150).prop_map(|all| {
        let half = 500_000;
        let mut all: Vec<Sent> = all
            .into_iter()
            .map(|(point, at, value, delay)| Sent { point, at: at * half, value, delay: delay * half })
            .collect();
        // The first of a point and time is the one sent.
        all.sort_by_key(|s| (s.at, s.point));
        all.dedup_by_key(|s| (s.at, s.point));
        all.sort_by_key(|s| s.at + s.delay);
        all
    })
}

fn in_event_order(mut sent: Vec<Sent>, cadence_secs: Option<f64>) -> Vec<Kept> {
    sent.sort_by_key(|s| (s.at, s.point));
    let (mut aligner, mut kept) = (aligner(cadence_secs, 0.0), Vec::new());
    for s in sent {
        let verdict = aligner.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept));
        assert_eq!(verdict, Verdict::Taken, "{s:?} came in order");
    }
    aligner.flush(&mut keep(&mut kept));
    kept
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// However wild the order and the lateness, the snapshots are those of the readings taken, in event order.
    #[test]
    fn snapshots_are_those_of_the_readings_taken(sent in sent(60), lateness in 0i64..40) {
        let (mut aligner, mut kept) = (aligner(Some(CADENCE_SECS), lateness as f64 * 0.5), Vec::new());
        let mut taken = Vec::new();
        for s in sent {
            if aligner.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept)) == Verdict::Taken {
                taken.push(s);
            }
        }
        aligner.flush(&mut keep(&mut kept));
        prop_assert_eq!(kept, in_event_order(taken, Some(CADENCE_SECS)));
    }

    /// Any permutation within the allowed lateness: nothing is late, and the snapshots are the same.
    #[test]
    fn within_the_lateness_order_does_not_matter(sent in sent(20)) {
        let (mut aligner, mut kept) = (aligner(Some(CADENCE_SECS), 20.0), Vec::new());
        for s in &sent {
            let verdict = aligner.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept));
            prop_assert_eq!(verdict, Verdict::Taken);
        }
        aligner.flush(&mut keep(&mut kept));
        prop_assert_eq!(kept, in_event_order(sent, Some(CADENCE_SECS)));
    }

    /// The same while the cadence is still to be found, as long as not more wait than may.
    #[test]
    fn within_the_lateness_the_inferred_cadence_does_not_depend_on_order(
        jitter in prop::collection::vec((0i64..3_000_000, 0i64..15_000_000), 200),
    ) {
        let mut sent: Vec<Sent> = jitter
            .into_iter()
            .enumerate()
            .map(|(i, (jitter, delay))| {
                let (round, point) = (i as i64 / i64::from(POINTS), (i % usize::from(POINTS)) as u16);
                Sent { point, at: round * 10_000_000 + jitter, value: i as f64, delay }
            })
            .collect();
        sent.sort_by_key(|s| (s.at + s.delay, s.point));
        let run = |order: &[Sent]| {
            let (mut aligner, mut kept) = (aligner(None, 15.0), Vec::new());
            for s in order {
                let verdict = aligner.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept));
                assert_eq!(verdict, Verdict::Taken);
            }
            aligner.flush(&mut keep(&mut kept));
            (aligner.cadence_secs(), kept)
        };
        let shuffled = run(&sent);
        sent.sort_by_key(|s| (s.at, s.point));
        prop_assert_eq!(shuffled, run(&sent));
    }

    /// Stop, store, resume anywhere, bad readings in between, ticks sent or, when they can do nothing, left out.
    #[test]
    fn resuming_equals_straight_through(
        sent in sent(30),
        cut in any::<prop::sample::Index>(),
        lateness in prop::sample::select(vec![0.0, 5.0, 30.0]),
        cadence in prop::sample::select(vec![None, Some(CADENCE_SECS)]),
        ticks in prop::collection::vec(any::<bool>(), 150),
    ) {
        let cut = cut.index(sent.len());
        let (mut straight, mut resumed) = (aligner(cadence, lateness), aligner(cadence, lateness));
        let (mut kept, mut kept_resumed) = (Vec::new(), Vec::new());
        for (i, s) in sent.iter().enumerate() {
            if i == cut {
                resumed = stored(&resumed);
                for value in BAD {
                    let before = resumed.clone();
                    let verdict = resumed.push(s.point, EventTime(s.at), value, &mut keep(&mut kept_resumed));
                    prop_assert_eq!(verdict, Verdict::Unusable);
                    prop_assert_eq!(&resumed, &before);
                }
            }
            let one = straight.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept));
            let other = resumed.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept_resumed));
            prop_assert_eq!(one, other);
            if ticks[i % ticks.len()] {
                let now = EventTime(s.at + s.delay);
                straight.tick(now, &mut keep(&mut kept));
                if resumed.next_close_at().is_some_and(|due| due <= now) {
                    resumed.tick(now, &mut keep(&mut kept_resumed));
                }
            }
        }
        straight.flush(&mut keep(&mut kept));
        resumed.flush(&mut keep(&mut kept_resumed));
        prop_assert_eq!(kept, kept_resumed);
        prop_assert_eq!(straight, resumed);
    }

    /// One late tick does what many would have done.
    #[test]
    fn one_tick_equals_many(sent in sent(20), steps in prop::collection::vec(1i64..40_000_000, 1..20)) {
        let (mut often, mut once) = (aligner(Some(CADENCE_SECS), 20.0), aligner(Some(CADENCE_SECS), 20.0));
        let (mut kept_often, mut kept_once) = (Vec::new(), Vec::new());
        for s in &sent {
            often.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept_often));
            once.push(s.point, EventTime(s.at), s.value, &mut keep(&mut kept_once));
        }
        let mut now = 150_000_000;
        for step in steps {
            now += step;
            often.tick(EventTime(now), &mut keep(&mut kept_often));
        }
        once.tick(EventTime(now), &mut keep(&mut kept_once));
        prop_assert_eq!(kept_often, kept_once);
        prop_assert_eq!(often, once);
    }
}
