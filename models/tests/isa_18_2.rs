//! Source: state model of ANSI/ISA-18.2 and IEC 62682, from memory; its words as OPC 10000-9 quotes them.
//! Each test of the first part is one arrow of the diagram; the second part holds for any order of events.

use proptest::prelude::*;
use roundsman_models::EventTime;
use roundsman_models::detect::alarm::{
    AlarmLife, AlarmParams, Change, CheckedAlarm, Condition, Delay, LifeState, Phase, Refused, Severity, Transition,
    Transitions,
};

use Change::{
    Acknowledged, Closed, Eased, Escalated, Frozen, Raised, Recurred, Returned, ReturnedToService, Shelved,
    TakenOutOfService, Thawed, Unshelved,
};
use Condition::{Absent, Present, Unknown};
use Severity::{Advisory, Alarm, Warning};

fn params(on: u32, off: u32) -> AlarmParams {
    AlarmParams {
        on_delay: Delay { snapshots: on, secs: 0.0 },
        off_delay: Delay { snapshots: off, secs: 0.0 },
        auto_close_secs: Some(1000.0),
        longest_shelf_secs: 3600.0,
        remind_secs: None,
    }
}

fn checked(params: AlarmParams) -> CheckedAlarm {
    params.check().expect("in range")
}

/// One step per 10 s, so that a test reads as a list of conditions.
struct Bench {
    life: AlarmLife,
    secs: i64,
}

impl Bench {
    fn new(on: u32, off: u32) -> Self {
        Self { life: AlarmLife::new(checked(params(on, off))), secs: 0 }
    }

    fn now(&self) -> EventTime {
        EventTime(self.secs * 1_000_000)
    }

    fn feed(&mut self, condition: Condition) -> Vec<Change> {
        self.feed_with(condition, false)
    }

    fn feed_with(&mut self, condition: Condition, suppressed: bool) -> Vec<Change> {
        self.secs += 10;
        let now = self.now();
        changes(self.life.step(now, condition, suppressed))
    }

    fn acknowledge(&mut self) -> Result<Vec<Change>, Refused> {
        let now = self.now();
        self.life.acknowledge(now).map(changes)
    }
}

fn changes(said: Transitions) -> Vec<Change> {
    said.iter().map(|t| t.change).collect()
}

/// An alarm without delays, driven into a phase.
fn bench_in(phase: Phase) -> Bench {
    let mut bench = Bench::new(1, 1);
    if phase != Phase::Normal {
        bench.feed(Present(Warning));
    }
    match phase {
        Phase::Acknowledged => drop(bench.acknowledge()),
        Phase::ReturnedUnacknowledged => drop(bench.feed(Absent)),
        Phase::Normal | Phase::Unacknowledged => {}
    }
    assert_eq!(bench.life.phase(), phase);
    bench
}

// The arrows.

#[test]
fn normal_to_unacknowledged_when_the_condition_comes() {
    let mut bench = bench_in(Phase::Normal);
    assert_eq!(bench.feed(Present(Warning)), [Raised]);
    assert_eq!(bench.life.state(), LifeState::Unacknowledged);
}

#[test]
fn unacknowledged_to_acknowledged_by_a_person() {
    let mut bench = bench_in(Phase::Unacknowledged);
    assert_eq!(bench.acknowledge(), Ok(vec![Acknowledged]));
    assert_eq!(bench.life.state(), LifeState::Acknowledged);
}

#[test]
fn acknowledged_to_normal_when_the_condition_goes() {
    let mut bench = bench_in(Phase::Acknowledged);
    assert_eq!(bench.feed(Absent), [Returned, Closed]);
    assert_eq!(bench.life.state(), LifeState::Normal);
}

#[test]
fn unacknowledged_to_returned_when_the_condition_goes() {
    let mut bench = bench_in(Phase::Unacknowledged);
    assert_eq!(bench.feed(Absent), [Returned]);
    assert_eq!(bench.life.state(), LifeState::ReturnedUnacknowledged);
}

#[test]
fn returned_to_normal_by_a_person() {
    let mut bench = bench_in(Phase::ReturnedUnacknowledged);
    assert_eq!(bench.acknowledge(), Ok(vec![Acknowledged, Closed]));
    assert_eq!(bench.life.state(), LifeState::Normal);
}

#[test]
fn returned_to_unacknowledged_is_the_same_episode() {
    let mut bench = bench_in(Phase::ReturnedUnacknowledged);
    assert_eq!(bench.feed(Present(Alarm)), [Recurred]);
    assert_eq!(bench.life.state(), LifeState::Unacknowledged);
    assert_eq!((bench.life.episode(), bench.life.severity()), (1, Some(Alarm)));
}

#[test]
fn acknowledged_to_unacknowledged_when_it_becomes_more_severe() {
    let mut bench = bench_in(Phase::Acknowledged);
    assert_eq!(bench.feed(Present(Alarm)), [Escalated]);
    assert_eq!(bench.life.state(), LifeState::Unacknowledged);
}

#[test]
fn what_was_acknowledged_once_need_not_be_again_in_the_same_episode() {
    let mut bench = bench_in(Phase::Acknowledged);
    bench.feed(Present(Alarm));
    bench.acknowledge().expect("escalated");
    assert_eq!(bench.feed(Present(Warning)), [Eased]);
    assert_eq!(bench.feed(Present(Alarm)), [Escalated]);
    assert_eq!(bench.life.state(), LifeState::Acknowledged);
}

#[test]
fn a_new_episode_forgets_what_was_acknowledged_in_the_last() {
    let mut bench = bench_in(Phase::Acknowledged);
    bench.feed(Absent);
    assert_eq!(bench.feed(Present(Advisory)), [Raised]);
    assert_eq!(bench.life.state(), LifeState::Unacknowledged);
    assert_eq!(bench.life.episode(), 2);
}

#[test]
fn returned_closes_by_itself_after_the_set_time_and_only_then() {
    let mut bench = bench_in(Phase::ReturnedUnacknowledged);
    bench.secs += 980;
    assert_eq!(bench.feed(Absent), []);
    assert_eq!(bench.feed(Absent), [Closed]);

    let for_ever = AlarmParams { auto_close_secs: None, ..params(1, 1) };
    let mut life = AlarmLife::new(checked(for_ever));
    life.step(EventTime(0), Present(Warning), false);
    life.step(EventTime(1), Absent, false);
    assert!(life.step(EventTime(i64::MAX), Absent, false).is_empty());
    assert_eq!(life.phase(), Phase::ReturnedUnacknowledged);
}

#[test]
fn every_phase_goes_under_every_hold_and_comes_back_as_it_was() {
    use Phase::{Acknowledged as Acked, Normal, ReturnedUnacknowledged as Rtn, Unacknowledged as Unack};
    for phase in [Normal, Unack, Acked, Rtn] {
        let condition = if matches!(phase, Normal | Rtn) { Absent } else { Present(Warning) };
        let said = |change| if phase == Normal { vec![] } else { vec![change] };

        let mut bench = bench_in(phase);
        let now = bench.now();
        assert_eq!(bench.life.shelve(now, 15.0).map(changes), Ok(said(Shelved)), "{phase:?}");
        assert_eq!(bench.feed(condition), []);
        assert_eq!(bench.life.state(), LifeState::Shelved);
        assert_eq!(bench.feed(condition), said(Unshelved), "{phase:?}: expiry");
        assert_eq!((bench.life.phase(), bench.life.is_held()), (phase, false));

        let mut bench = bench_in(phase);
        let now = bench.now();
        assert_eq!(bench.life.take_out_of_service(now).map(changes), Ok(said(TakenOutOfService)), "{phase:?}");
        assert_eq!(bench.feed(condition), []);
        assert_eq!(bench.life.state(), LifeState::OutOfService);
        assert_eq!(bench.life.return_to_service(now).map(changes), Ok(said(ReturnedToService)), "{phase:?}");
        assert_eq!(bench.feed(condition), []);
        assert_eq!((bench.life.phase(), bench.life.is_held()), (phase, false));

        let mut bench = bench_in(phase);
        assert_eq!(bench.feed_with(condition, true), [], "suppression is not said");
        assert_eq!(bench.life.state(), LifeState::SuppressedByDesign);
        assert_eq!(bench.feed(condition), []);
        assert_eq!((bench.life.phase(), bench.life.is_held()), (phase, false));
    }
}

#[test]
fn what_happened_under_a_hold_is_said_when_it_ends() {
    // Raised under the hold.
    let mut bench = bench_in(Phase::Normal);
    bench.life.shelve(bench.now(), 600.0).expect("allowed with nothing open");
    assert_eq!(bench.feed(Present(Alarm)), []);
    assert_eq!((bench.life.active(), bench.life.is_open()), (Some(Alarm), false));
    bench.life.unshelve(bench.now()).expect("shelved");
    assert_eq!(bench.feed(Present(Alarm)), [Raised]);

    // Gone under the hold, acknowledged before.
    let mut bench = bench_in(Phase::Acknowledged);
    bench.life.take_out_of_service(bench.now()).expect("in service");
    assert_eq!(bench.feed(Absent), []);
    assert!(bench.life.is_open());
    bench.life.return_to_service(bench.now()).expect("out of service");
    assert_eq!(bench.feed(Absent), [Returned, Closed]);

    // Worse under the hold, and the hold ends by itself in the very step.
    let mut bench = bench_in(Phase::Acknowledged);
    bench.life.shelve(bench.now(), 15.0).expect("short enough");
    assert_eq!(bench.feed(Present(Alarm)), []);
    assert_eq!(bench.feed(Present(Alarm)), [Unshelved, Escalated]);
    assert_eq!(bench.life.state(), LifeState::Unacknowledged);
}

#[test]
fn holds_are_independent_and_the_strongest_is_shown() {
    let mut bench = bench_in(Phase::Unacknowledged);
    bench.feed_with(Present(Warning), true);
    bench.life.shelve(bench.now(), 600.0).expect("allowed");
    assert_eq!(bench.life.state(), LifeState::Shelved);
    bench.life.take_out_of_service(bench.now()).expect("allowed");
    assert_eq!(bench.life.state(), LifeState::OutOfService);
    bench.life.unshelve(bench.now()).expect("shelved");
    bench.life.return_to_service(bench.now()).expect("out of service");
    assert_eq!(bench.life.state(), LifeState::SuppressedByDesign);
}

#[test]
fn a_suppressed_alarm_can_be_acknowledged() {
    let mut bench = bench_in(Phase::Unacknowledged);
    bench.feed_with(Unknown, true);
    assert_eq!(bench.acknowledge(), Ok(vec![Acknowledged]));
    assert_eq!(bench.life.state(), LifeState::SuppressedByDesign);
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.life.state(), LifeState::Acknowledged);
}

#[test]
fn a_stop_of_the_machine_neither_clears_nor_raises_again() {
    let mut bench = Bench::new(1, 2);
    assert_eq!(bench.feed(Present(Warning)), [Raised]);
    for _ in 0..50 {
        assert_eq!(bench.feed_with(Unknown, true), []);
    }
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.life.episode(), 1);
}

// Delays.

#[test]
fn on_delay_counts_snapshots_in_a_row() {
    let mut bench = Bench::new(3, 1);
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.feed(Absent), []);
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.feed(Present(Warning)), [Raised]);
}

#[test]
fn off_delay_bridges_a_gap_so_that_chatter_is_one_episode() {
    let mut bench = Bench::new(1, 3);
    assert_eq!(bench.feed(Present(Warning)), [Raised]);
    for _ in 0..20 {
        assert_eq!(bench.feed(Absent), []);
        assert_eq!(bench.feed(Absent), []);
        assert_eq!(bench.feed(Present(Warning)), []);
    }
    assert_eq!([bench.feed(Absent), bench.feed(Absent)].concat(), []);
    assert_eq!(bench.feed(Absent), [Returned]);
}

#[test]
fn a_delay_needs_its_count_and_its_time() {
    let both = AlarmParams { on_delay: Delay { snapshots: 2, secs: 30.0 }, ..params(1, 1) };
    let mut life = AlarmLife::new(checked(both));
    let at = |secs: i64| EventTime(secs * 1_000_000);
    for secs in [0, 10, 20] {
        assert!(life.step(at(secs), Present(Warning), false).is_empty(), "{secs} s");
    }
    assert_eq!(changes(life.step(at(30), Present(Warning), false)), [Raised]);

    let mut life = AlarmLife::new(checked(both));
    assert!(life.step(at(0), Present(Warning), false).is_empty());
    assert_eq!(changes(life.step(at(100), Present(Warning), false)), [Raised]);
}

#[test]
fn escalation_waits_for_its_own_delay_only() {
    let mut bench = Bench::new(3, 2);
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.feed(Present(Alarm)), []);
    assert_eq!(bench.feed(Present(Alarm)), [Raised]);
    assert_eq!(bench.life.severity(), Some(Warning));
    assert_eq!(bench.feed(Present(Alarm)), [Escalated]);
    assert_eq!(bench.life.severity(), Some(Alarm));
    assert_eq!(bench.feed(Present(Advisory)), []);
    assert_eq!(bench.feed(Present(Advisory)), [Eased]);
    assert_eq!(bench.life.severity(), Some(Advisory));
}

#[test]
fn unknown_stops_the_delay_and_its_clock_but_loses_neither() {
    let both = AlarmParams { on_delay: Delay { snapshots: 3, secs: 20.0 }, ..params(1, 1) };
    let mut life = AlarmLife::new(checked(both));
    let at = |secs: i64| EventTime(secs * 1_000_000);
    for (secs, condition) in [(0, Present(Warning)), (10, Present(Warning)), (20, Unknown), (500, Unknown)] {
        assert!(life.step(at(secs), condition, false).is_empty());
    }
    // The third snapshot, but the 490 s nobody saw do not count: 10 s so far.
    assert!(life.step(at(510), Present(Warning), false).is_empty());
    assert_eq!(changes(life.step(at(520), Present(Warning), false)), [Raised]);
}

// Missing data, and the rest.

#[test]
fn an_alert_freezes_when_data_stop_and_thaws_when_they_come_back() {
    let mut bench = bench_in(Phase::Acknowledged);
    let now = bench.now();
    assert_eq!(changes(bench.life.data_stopped(now)), [Frozen]);
    assert!(bench.life.data_stopped(now).is_empty(), "said once");
    assert_eq!(bench.feed(Unknown), []);
    assert_eq!(bench.feed(Present(Warning)), [Thawed]);
    bench.life.data_stopped(now);
    assert_eq!(bench.feed(Absent), [Thawed, Returned, Closed]);
    assert!(bench.life.data_stopped(now).is_empty(), "nothing open, nothing to freeze");
}

#[test]
fn the_fullest_step_says_four_things_in_order() {
    let mut bench = bench_in(Phase::Acknowledged);
    bench.life.data_stopped(bench.now());
    bench.life.shelve(bench.now(), 5.0).expect("short enough");
    assert_eq!(bench.feed(Absent), [Unshelved, Thawed, Returned, Closed]);
}

#[test]
fn reset_closes_and_forgets_pending_delays_but_keeps_holds() {
    let mut bench = Bench::new(2, 1);
    bench.feed(Present(Warning));
    bench.feed(Present(Warning));
    bench.life.take_out_of_service(bench.now()).expect("in service");
    let now = bench.now();
    assert_eq!(changes(bench.life.reset(now)), [Closed]);
    assert_eq!(bench.life.state(), LifeState::OutOfService);
    bench.life.return_to_service(now).expect("out of service");
    assert_eq!(bench.feed(Present(Warning)), []);
    assert_eq!(bench.feed(Present(Warning)), [Raised]);
    assert_eq!(bench.life.episode(), 2);
}

#[test]
fn commands_that_make_no_sense_are_refused_with_the_reason() {
    let mut bench = bench_in(Phase::Normal);
    let now = bench.now();
    assert_eq!(bench.acknowledge(), Err(Refused::NothingOpen));
    assert_eq!(bench.life.unshelve(now), Err(Refused::NotShelved));
    assert_eq!(bench.life.return_to_service(now), Err(Refused::NotOutOfService));
    for secs in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(bench.life.shelve(now, secs), Err(Refused::NoShelfTime), "{secs}");
    }
    assert_eq!(bench.life.shelve(now, 3601.0), Err(Refused::TooLong { longest_secs: 3600.0 }));
    bench.life.take_out_of_service(now).expect("in service");
    assert_eq!(bench.life.take_out_of_service(now), Err(Refused::AlreadyOutOfService));
    assert_eq!(bench_in(Phase::Acknowledged).acknowledge(), Err(Refused::AlreadyAcknowledged));
}

/// A reminder is ours: the standard leaves it to the plant. It moves nothing, and holds and acknowledgement end it.
#[test]
fn an_unacknowledged_alarm_is_said_again_at_its_interval() {
    let mut life = AlarmLife::new(checked(AlarmParams { remind_secs: Some(100.0), ..params(1, 1) }));
    let mut step =
        |secs: i64, condition, suppressed| changes(life.step(EventTime(secs * 1_000_000), condition, suppressed));
    assert_eq!(step(0, Present(Warning), false), [Raised]);
    assert_eq!(step(99, Present(Warning), false), []);
    assert_eq!(step(100, Present(Warning), false), [Change::Reminded]);
    assert_eq!(step(150, Present(Alarm), false), [Escalated]);
    assert_eq!(step(200, Present(Alarm), false), [], "from the last word on");
    assert_eq!(step(260, Present(Alarm), true), [], "held");
    assert_eq!(step(300, Present(Alarm), false), [Change::Reminded]);
    assert_eq!(life.phase(), Phase::Unacknowledged);
    life.acknowledge(EventTime(310_000_000)).expect("open");
    assert!(life.step(EventTime(900_000_000), Present(Alarm), false).is_empty());
}

/// Others that depart at the same time change nothing but what is told, and are told of no alarm that is held or has gone.
#[test]
fn a_neighbour_that_joins_moves_nothing() {
    for (phase, told) in [(Phase::Unacknowledged, 1), (Phase::Acknowledged, 1), (Phase::ReturnedUnacknowledged, 0)] {
        let mut bench = bench_in(phase);
        let now = bench.now();
        assert_eq!(changes(bench.life.joined(now)), vec![Change::Joined; told], "{phase:?}");
        assert_eq!(bench.life.phase(), phase);
        bench.life.take_out_of_service(now).expect("in service");
        assert!(bench.life.joined(now).is_empty(), "{phase:?}, held");
    }
}

#[test]
fn settings_out_of_range_are_all_named() {
    let bad = AlarmParams {
        on_delay: Delay { snapshots: 0, secs: f64::NAN },
        off_delay: Delay { snapshots: 1, secs: -1.0 },
        auto_close_secs: Some(0.0),
        longest_shelf_secs: f64::INFINITY,
        remind_secs: Some(0.0),
    };
    let names: Vec<_> = bad.check().expect_err("all bad").iter().map(|f| f.name).collect();
    assert_eq!(
        names,
        [
            "on_delay.snapshots",
            "on_delay.secs",
            "off_delay.secs",
            "auto_close_secs",
            "longest_shelf_secs",
            "remind_secs"
        ]
    );
    let stored = serde_json::to_string(&params(0, 1)).expect("plain data");
    let refused = serde_json::from_str::<CheckedAlarm>(&stored).expect_err("a stored setting is checked again");
    assert!(refused.to_string().contains("on_delay.snapshots: must be between 1 and"), "{refused}");
}

/// Findings are many; the module page promises the size.
#[test]
fn one_life_takes_at_most_256_bytes_in_memory_and_100_stored() {
    assert!(size_of::<AlarmLife>() <= 256, "{}", size_of::<AlarmLife>());
    let mut bench = bench_in(Phase::Acknowledged);
    bench.life.shelve(bench.now(), 600.0).expect("short enough");
    let stored = postcard::to_stdvec(&bench.life).expect("plain data").len();
    assert!(stored <= 100, "{stored}");
}

// What holds for any order of events.

#[derive(Debug, Clone)]
enum Doing {
    Step(Condition, bool),
    DataStopped,
    Acknowledge,
    Shelve(f64),
    Unshelve,
    TakeOut,
    TakeBack,
    Reset,
}

fn doing() -> impl Strategy<Value = Doing> {
    let condition = prop_oneof![
        2 => Just(Unknown),
        6 => Just(Absent),
        2 => Just(Present(Advisory)),
        4 => Just(Present(Warning)),
        4 => Just(Present(Alarm)),
    ];
    prop_oneof![
        40 => (condition, prop::bool::weighted(0.1)).prop_map(|(c, s)| Doing::Step(c, s)),
        2 => Just(Doing::DataStopped),
        4 => Just(Doing::Acknowledge),
        1 => (1.0..400.0).prop_map(Doing::Shelve),
        1 => Just(Doing::Unshelve),
        1 => Just(Doing::TakeOut),
        2 => Just(Doing::TakeBack),
        1 => Just(Doing::Reset),
    ]
}

fn do_one(life: &mut AlarmLife, at: EventTime, doing: &Doing) -> Transitions {
    match *doing {
        Doing::Step(condition, suppressed) => life.step(at, condition, suppressed),
        Doing::DataStopped => life.data_stopped(at),
        Doing::Acknowledge => life.acknowledge(at).unwrap_or_default(),
        Doing::Shelve(secs) => life.shelve(at, secs).unwrap_or_default(),
        Doing::Unshelve => life.unshelve(at).unwrap_or_default(),
        Doing::TakeOut => life.take_out_of_service(at).unwrap_or_default(),
        Doing::TakeBack => life.return_to_service(at).unwrap_or_default(),
        Doing::Reset => life.reset(at),
    }
}

fn at(index: usize) -> EventTime {
    EventTime(index as i64 * 60_000_000)
}

proptest! {
    #[test]
    fn episodes_are_well_formed(on in 1u32..4, off in 1u32..4, doings in prop::collection::vec(doing(), 1..300)) {
        let mut life = AlarmLife::new(checked(params(on, off)));
        let mut last: Option<Transition> = None;
        for (index, doing) in doings.iter().enumerate() {
            for now in do_one(&mut life, at(index), doing) {
                let open = last.is_some_and(|l| l.change != Closed);
                prop_assert_eq!(now.change == Raised, !open, "a raise opens, nothing else does: {:?}", now);
                match last.filter(|_| open) {
                    None => {
                        prop_assert_eq!(now.episode, last.map_or(0, |l| l.episode) + 1);
                        prop_assert_eq!(now.revision, 1);
                        prop_assert_eq!((now.raised_at, now.worst), (now.at, now.severity));
                    }
                    Some(before) => {
                        prop_assert_eq!(now.episode, before.episode);
                        prop_assert_eq!(now.revision, before.revision + 1);
                        prop_assert_eq!(now.raised_at, before.raised_at);
                        prop_assert_eq!(now.worst, before.worst.max(now.severity));
                        prop_assert!(now.at >= before.at);
                    }
                }
                last = Some(now);
            }
            prop_assert_eq!(life.is_open(), last.is_some_and(|l| l.change != Closed));
            if !life.is_held() && matches!(doing, Doing::Step(Absent | Present(_), _)) {
                let active = matches!(life.phase(), Phase::Unacknowledged | Phase::Acknowledged);
                prop_assert_eq!(active, life.active().is_some(), "unheld, the phase is what the switches say");
                prop_assert!(!active || life.severity() == life.active());
            }
        }
    }

    #[test]
    fn unknown_never_moves_the_phase(doings in prop::collection::vec(doing(), 1..200)) {
        let mut life = AlarmLife::new(checked(params(2, 2)));
        for (index, doing) in doings.iter().enumerate() {
            do_one(&mut life, at(index), doing);
            let before = (life.phase(), life.episode(), life.severity(), life.active());
            let mut later = life.clone();
            later.step(EventTime(i64::MAX), Unknown, false);
            prop_assert_eq!(before, (later.phase(), later.episode(), later.severity(), later.active()));
        }
    }

    #[test]
    fn under_a_hold_the_condition_says_nothing(doings in prop::collection::vec(doing(), 1..200)) {
        let mut life = AlarmLife::new(checked(params(1, 1)));
        for (index, doing) in doings.iter().enumerate() {
            let said = do_one(&mut life, at(index), doing);
            if life.is_held() && matches!(doing, Doing::Step(..)) {
                let by_condition = |c| matches!(c, Raised | Escalated | Eased | Returned | Recurred | Closed);
                prop_assert!(!said.iter().any(|t| by_condition(t.change)), "{:?}", said);
            }
        }
    }

    #[test]
    fn stored_and_resumed_anywhere_equals_straight(
        cut in 0usize..120,
        doings in prop::collection::vec(doing(), 120..121),
    ) {
        let mut straight = AlarmLife::new(checked(params(2, 3)));
        let mut resumed = straight.clone();
        for (index, doing) in doings.iter().enumerate() {
            if index == cut {
                let bytes = postcard::to_stdvec(&resumed).expect("plain data");
                resumed = postcard::from_bytes(&bytes).expect("what was written");
                let text = serde_json::to_string(&resumed).expect("plain data");
                resumed = serde_json::from_str(&text).expect("what was written");
            }
            prop_assert_eq!(do_one(&mut straight, at(index), doing), do_one(&mut resumed, at(index), doing));
        }
        prop_assert_eq!(straight, resumed);
    }
}

/// A closer look moves nothing and is said of an active alarm that nothing holds back: the module's own table.
#[test]
fn a_diagnosis_is_said_of_active_alarms_and_moves_nothing() {
    for phase in [Phase::Normal, Phase::Unacknowledged, Phase::Acknowledged, Phase::ReturnedUnacknowledged] {
        let mut bench = bench_in(phase);
        let before = bench.life.state();
        let active = matches!(phase, Phase::Unacknowledged | Phase::Acknowledged);
        let said = changes(bench.life.diagnosed(bench.now()));
        assert_eq!(said, if active { vec![Change::Diagnosed] } else { Vec::new() }, "{phase:?}");
        assert_eq!((bench.life.phase(), bench.life.state()), (phase, before));
    }
    let mut bench = bench_in(Phase::Unacknowledged);
    assert!(bench.life.shelve(bench.now(), 3600.0).is_ok());
    assert!(bench.life.diagnosed(bench.now()).is_empty(), "held back");
}
