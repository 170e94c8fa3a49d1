//! Planned work and machines that belong together: what is held back, who speaks for whom, and that all of it is the same on
//! any number of engines, cut by restarts, and when a group moves from one engine to another.

use roundsman::acquire::registry::Registry;
use roundsman::acquire::{AssetId, Observation, Quality};
use roundsman::advise::document::{Alert, Change, Condition, Document, Finding, LifeState, Relation, Severity};
use roundsman::asset::settings::Settings;
use roundsman::asset::spec::AssetSpec;
use roundsman::config::{Sources, from_text};
use roundsman::engine::{Action, Command, Engine, Event, Output};
use roundsman_models::EventTime;
use std::collections::BTreeMap;
use std::sync::Arc;

/// 2031-04-02T00:00:00Z.
const MIDNIGHT: i64 = 1_932_854_400_000_000;
/// One point each, with limits of the operator's own: they count from the first reading on, without any learning.
const MACHINES: &str = "[align]\ncadence = '1 min'\n[alarm]\nraise_snapshots = 3\nclear_snapshots = 5\n\
    [screen]\nsilent = '5 min'\nsilent_cadences = 5\n\
    [assets.drive.points.vib]\nunit = 'mm/s rms'\nwarning_high = 5\nalarm_high = 9\n\
    [assets.roll-1.points.vib]\nunit = 'mm/s rms'\nwarning_high = 5\nalarm_high = 9\n\
    [assets.roll-2.points.vib]\nunit = 'mm/s rms'\nwarning_high = 5\nalarm_high = 9\n\
    [assets.roll-3.points.vib]\nunit = 'mm/s rms'\nwarning_high = 5\nalarm_high = 9\n";
const TRAIN: &str =
    "[[groups]]\nname = 'press'\nkind = 'drive train'\nparent = 'drive'\nmembers = ['roll-1', 'roll-2', 'roll-3']\n";

/// Some engines, and what they said.
struct Site {
    engines: Vec<Engine>,
    homes: BTreeMap<AssetId, usize>,
    defined: Vec<(AssetId, Arc<AssetSpec>, Arc<Settings>)>,
    out: Vec<Output>,
}

impl Site {
    fn new(config: &str, engines: usize) -> Self {
        let engines = (0..engines).map(|_| Engine::new("quillhaven", true)).collect();
        let mut site = Self { engines, homes: BTreeMap::new(), defined: Vec::new(), out: Vec::new() };
        site.configure(config);
        site
    }

    /// As the daemon and the replay do it: a machine whose group has another home is carried there.
    fn configure(&mut self, config: &str) {
        let checked = from_text(Some(config), &Sources::default()).unwrap_or_else(|faults| panic!("{faults:#?}"));
        let mut registry = Registry::new(&checked);
        self.defined.clear();
        for id in registry.take_defined() {
            let (spec, settings) = (registry.spec(id).expect("defined"), registry.settings(id).expect("defined"));
            self.defined.push((id, spec.clone(), settings.clone()));
        }
        for (id, spec, settings) in self.defined.clone() {
            let home = settings.groups.home(&spec.name).bytes().map(usize::from).sum::<usize>() % self.engines.len();
            if let Some(before) = self.homes.insert(id, home).filter(|before| *before != home) {
                let asset = self.engines[before].release(id).expect("it is there");
                self.engines[home].adopt(asset);
            }
            self.engines[home].step(&Event::Define(id, spec, settings), &mut self.out);
        }
    }

    fn minute(&mut self, minute: i64, values: [Option<f64>; 4]) {
        let at = EventTime(MIDNIGHT + minute * 60_000_000);
        for engine in &mut self.engines {
            engine.step(&Event::Tick(at), &mut self.out);
        }
        for (place, value) in (0..).zip(values) {
            let Some(value) = value else { continue };
            // Never the same twice, which would be a stuck sensor.
            let value = value + 0.01 * (minute % 7) as f64;
            let asset = AssetId(place);
            let observation = Observation { asset, point: 0, at, value, quality: Quality::Good };
            self.engines[self.homes[&asset]].step(&Event::Observed(observation), &mut self.out);
        }
    }

    fn minutes(&mut self, minutes: std::ops::Range<i64>, values: [Option<f64>; 4]) {
        minutes.for_each(|minute| self.minute(minute, values));
    }

    fn command(&mut self, minute: i64, asset: u32, action: Action) {
        let command = Command { by: "A".into(), note: None, reply_to: None, action };
        let (asset, at) = (AssetId(asset), EventTime(MIDNIGHT + minute * 60_000_000));
        self.engines[self.homes[&asset]].step(&Event::Command(asset, at, command), &mut self.out);
    }

    /// Thrown away and made again from what was saved.
    fn restart(&mut self) {
        let count = self.engines.len();
        let saved: Vec<_> = self.engines.iter().map(|engine| engine.save().expect("plain data")).collect();
        self.engines = (0..count).map(|_| Engine::new("quillhaven", true)).collect();
        for (id, spec, settings) in &self.defined {
            let engine = &mut self.engines[self.homes[id]];
            engine.step(&Event::Define(*id, spec.clone(), settings.clone()), &mut self.out);
        }
        for (engine, saved) in self.engines.iter_mut().zip(saved) {
            for (id, _, bytes) in saved {
                engine.restore(id, &bytes).expect("our own");
            }
        }
    }

    fn alerts(&self) -> Vec<&Alert> {
        self.out.iter().filter_map(|o| if let Output::Alert(_, alert) = o { Some(&**alert) } else { None }).collect()
    }

    /// `asset change` of each.
    fn said(&self) -> Vec<String> {
        let word = |change: Change| serde_json::to_value(change).expect("plain").as_str().expect("a word").to_owned();
        self.alerts().iter().map(|alert| format!("{} {}", alert.asset, word(alert.change))).collect()
    }

    fn conditions(&self, asset: &str) -> Vec<&Condition> {
        let of = |o: &'_ Output| matches!(o, Output::Condition(_, c) if c.asset == asset);
        let all = self.out.iter().filter(|o| of(o));
        all.filter_map(|o| if let Output::Condition(_, c) = o { Some(&**c) } else { None }).collect()
    }

    /// Everything, to the bit, by asset.
    fn bits(&self) -> BTreeMap<String, Vec<String>> {
        let mut all: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for output in &self.out {
            match output {
                Output::Alert(_, alert) => all.entry(alert.asset.clone()).or_default().push(alert.to_json()),
                Output::Condition(_, c) => all.entry(c.asset.clone()).or_default().push(c.to_json()),
                _ => {}
            }
        }
        all
    }
}

const SOUND: [Option<f64>; 4] = [Some(2.0); 4];
const BY_DRIVE: [Option<f64>; 4] = [Some(6.0), Some(6.0), Some(6.0), Some(2.0)];

fn window(from: &str, to: &str, of: &str) -> String {
    format!(
        "{MACHINES}[[maintenance]]\n{of}\nfrom = '2031-04-02 {from}'\nto = '2031-04-02 {to}'\nzone = 'UTC'\n\
         reason = 'new coupling'\nby = 'R. Lind'\n"
    )
}

#[test]
fn what_stands_at_the_end_of_planned_work_is_raised_then_and_says_why() {
    let mut site = Site::new(&window("00:20", "01:00", "assets = ['drive']"), 1);
    site.minutes(0..20, SOUND);
    site.minutes(20..80, [Some(6.0), Some(6.0), Some(2.0), Some(2.0)]);
    assert_eq!(site.said(), ["roll-1 raised", "drive raised"]);
    let alert = site.alerts()[1].clone();
    let held = alert.held_back.as_ref().expect("it was held back");
    let minute = |minute: i64| EventTime(MIDNIGHT + minute * 60_000_000);
    assert_eq!((held.from, held.to), (minute(20), minute(60)));
    assert_eq!((held.reason.as_str(), held.by.as_str()), ("new coupling", "R. Lind"));
    // Three snapshots of one minute, each closed by the next.
    assert!((minute(21)..=minute(24)).contains(&held.since), "{held:?}");
    assert!((minute(60)..=minute(62)).contains(&alert.at), "{alert:?}");
    assert!(alert.message.contains("maintenance (new coupling)"), "{}", alert.message);
    assert!(site.alerts()[0].held_back.is_none(), "the other machine's is said at once");
    // What would have fired is in the condition while it is held back.
    let told = site.conditions("drive");
    let open = told.iter().filter_map(|c| c.maintenance.as_ref()).find(|m| m.open && !m.held_back.is_empty());
    let open = open.expect("it is said meanwhile");
    assert_eq!((&open.held_back[0].finding, open.held_back[0].severity), (&Finding::Machine, Severity::Warning));
    let last = told.last().and_then(|c| c.maintenance.as_ref()).expect("the last window stays");
    assert!(!last.open && last.held_back[0].alert.as_deref() == Some("quillhaven/drive/machine/1"), "{last:?}");
    assert!(site.conditions("roll-1").iter().all(|c| c.maintenance.is_none()));
}

#[test]
fn what_has_gone_by_the_end_of_planned_work_is_listed_and_raises_nothing() {
    let mut site = Site::new(&window("00:20", "01:00", "classes = ['x']\nassets = ['*']"), 1);
    site.minutes(0..20, SOUND);
    site.minutes(20..40, BY_DRIVE);
    site.minutes(40..90, SOUND);
    assert_eq!(site.said(), [""; 0]);
    let last = site.conditions("drive").last().and_then(|c| c.maintenance.clone()).expect("the last window stays");
    assert!(!last.open);
    assert!(last.held_back[0].gone.is_some() && last.held_back[0].alert.is_none(), "{last:?}");
}

/// The delay that clears an alert must not raise one when work ends: gone for a minute is gone.
#[test]
fn a_delay_that_still_runs_at_the_end_of_planned_work_is_no_news() {
    let mut site = Site::new(&window("00:20", "00:43", "assets = ['drive']"), 1);
    site.minutes(0..20, SOUND);
    site.minutes(20..42, [Some(6.0), Some(2.0), Some(2.0), Some(2.0)]);
    site.minutes(42..90, SOUND);
    assert_eq!(site.said(), [""; 0]);
}

#[test]
fn an_alert_that_was_open_before_stands_still_and_silence_is_held_back_too() {
    let mut site = Site::new(&window("00:20", "01:00", "assets = ['drive', 'roll-1']"), 1);
    site.minutes(0..5, SOUND);
    site.minutes(5..20, [Some(6.0), Some(2.0), Some(2.0), Some(2.0)]);
    assert_eq!(site.said(), ["drive raised"]);
    site.minutes(20..50, [Some(10.0), None, None, Some(2.0)]);
    assert_eq!(site.said(), ["drive raised", "roll-2 raised"], "worse, and silent, and nothing is said of those two");
    site.command(50, 0, Action::Acknowledge { alert: None });
    let known = site.alerts().last().expect("said").state;
    assert_eq!(known, LifeState::SuppressedByDesign);
    site.minutes(51..70, [Some(10.0), None, None, Some(2.0)]);
    let said = site.said();
    assert!(said.contains(&"drive escalated".to_owned()) && said.contains(&"roll-1 raised".to_owned()), "{said:?}");
}

#[test]
fn one_cause_raises_one_alert_that_names_the_others() {
    let mut site = Site::new(&format!("{MACHINES}{TRAIN}"), 1);
    site.minutes(0..20, SOUND);
    site.minutes(20..60, BY_DRIVE);
    assert_eq!(site.said(), ["drive raised", "drive joined"]);
    let alert = site.alerts()[1].clone();
    let named: Vec<_> = alert.neighbours.iter().map(|n| (n.asset.as_str(), n.relation, n.alert.as_deref())).collect();
    assert_eq!(named, [("roll-1", Relation::Child, None), ("roll-2", Relation::Child, None)]);
    assert!(alert.message.contains("At the same time on press: roll-1, roll-2."), "{}", alert.message);
    // It is said between two snapshots, and stands on the last one.
    let seen = site.alerts()[0].contributions.clone();
    assert!(alert.contributions == seen && seen[0].observed.value > 5.0, "{alert:?}");
    assert!(alert.message.contains("at vib is 6"), "{}", alert.message);
    let told = site.conditions("roll-1").last().and_then(|c| c.told_by.clone());
    assert_eq!(told.as_deref(), Some("quillhaven/drive/machine/1"));
    // Each on its own without a group.
    let mut apart = Site::new(MACHINES, 1);
    apart.minutes(0..20, SOUND);
    apart.minutes(20..60, BY_DRIVE);
    assert_eq!(apart.said(), ["drive raised", "roll-1 raised", "roll-2 raised"]);
    // Without `one_alert` all speak, and each names those before it.
    let mut context = Site::new(&format!("{MACHINES}{TRAIN}one_alert = false\n"), 1);
    context.minutes(0..20, SOUND);
    context.minutes(20..60, BY_DRIVE);
    assert_eq!(context.said(), ["drive raised", "roll-1 raised", "roll-2 raised"]);
    let last = context.alerts()[2];
    let named: Vec<_> = last.neighbours.iter().map(|n| (n.asset.as_str(), n.relation, n.alert.is_some())).collect();
    assert_eq!(named, [("drive", Relation::Parent, true), ("roll-1", Relation::Member, true)]);
    assert!(last.message.contains("Look at drive first."), "{}", last.message);
}

#[test]
fn what_is_worse_or_later_or_stands_alone_afterwards_speaks_for_itself() {
    let mut site = Site::new(&format!("{MACHINES}{TRAIN}"), 1);
    site.minutes(0..20, SOUND);
    // An alarm is not hidden behind a warning.
    site.minutes(20..40, [Some(6.0), Some(10.0), Some(6.0), Some(2.0)]);
    assert_eq!(site.said(), ["drive raised", "roll-1 raised", "drive joined"]);
    // More than an hour later it is another cause; and the drive's comes to its end while roll-2 still stands.
    site.minutes(40..120, [Some(6.0), Some(10.0), Some(6.0), Some(2.0)]);
    site.minutes(120..140, [Some(2.0), Some(10.0), Some(6.0), Some(6.0)]);
    let said = site.said();
    assert_eq!(said[3..], ["roll-3 raised", "drive returned"], "{said:?}");
    site.minutes(140..160, [Some(2.0), Some(10.0), Some(6.0), Some(6.0)]);
    let alert = site.alerts().last().cloned().cloned().expect("said");
    assert_eq!((alert.asset.as_str(), alert.change), ("roll-2", Change::Raised), "after a while of grace");
    assert!(alert.neighbours.iter().any(|n| n.asset == "roll-1"), "{:?}", alert.neighbours);
}

#[test]
fn the_silence_of_a_gateway_is_one_alert_and_its_end_none() {
    let mut site = Site::new(&format!("{MACHINES}{TRAIN}"), 1);
    site.minutes(0..20, SOUND);
    site.minutes(20..60, [None; 4]);
    assert_eq!(site.said(), ["drive raised", "drive joined"]);
    let joined = site.alerts()[1];
    assert_eq!((&joined.finding, joined.neighbours.len()), (&Finding::Silence, 3));
    // They come back one by one.
    site.minutes(60..63, [Some(2.0), None, None, None]);
    site.minutes(63..66, [Some(2.0), Some(2.0), None, None]);
    site.minutes(66..120, SOUND);
    assert_eq!(site.said()[2..], ["drive returned"]);
}

/// A day of everything at once, by a rule.
fn play(site: &mut Site, mut every: impl FnMut(&mut Site, i64)) {
    for minute in 0..900 {
        every(site, minute);
        let odd = |machine: i64| (minute / 40 + machine * machine) % 7;
        let value = |machine: i64| match odd(machine) {
            0 => None,
            // Close to each other: a machine that shakes a third as much has been stopped.
            1 | 2 => Some(5.6),
            3 => Some(7.2),
            _ => Some(4.0),
        };
        site.minute(minute, [value(0), value(1), value(2), value(3)]);
        if minute % 97 == 0 {
            site.command(minute, (minute / 97 % 4) as u32, Action::Acknowledge { alert: None });
        }
    }
}

#[test]
fn any_number_of_engines_and_any_restarts_give_the_same_to_the_byte() {
    let config = format!("{}{TRAIN}", window("03:00", "06:00", "groups = ['press']"));
    let config = config.replace("alarm_high = 9", "alarm_high = 6.6");
    let mut straight = Site::new(&config, 1);
    play(&mut straight, |_, _| ());
    let said = straight.said();
    for change in ["raised", "joined", "returned", "acknowledged", "escalated"] {
        assert!(said.iter().any(|line| line.ends_with(change)), "{change}: {said:?}");
    }
    assert!(straight.alerts().iter().any(|alert| alert.held_back.is_some()), "{said:?}");
    for engines in [1, 2, 3, 5] {
        let mut other = Site::new(&config, engines);
        play(&mut other, |site, minute| {
            if minute % 7 == 3 {
                site.restart();
            }
        });
        assert!(straight.bits() == other.bits(), "{engines} engines with restarts");
    }
}

#[test]
fn a_group_that_is_made_while_it_runs_carries_its_machines_to_one_engine() {
    let apart = format!("{MACHINES}[[groups]]\nname = 'two'\nmembers = ['roll-2', 'roll-3']\n");
    let together = format!("{MACHINES}{TRAIN}");
    let run = |engines: usize| {
        let mut site = Site::new(&apart, engines);
        let mut moved = false;
        play(&mut site, |site, minute| {
            if minute == 300 || minute == 500 {
                let before = site.homes.clone();
                site.configure(if minute == 300 { &together } else { &apart });
                moved |= before != site.homes;
            }
        });
        (site.bits(), moved)
    };
    let (straight, _) = run(1);
    let mut any = false;
    for engines in [2, 3, 5] {
        let (other, moved) = run(engines);
        any |= moved;
        assert!(straight == other, "{engines} engines");
    }
    assert!(any, "at least one had to move");
}

#[test]
fn an_alert_nobody_acknowledges_is_said_again_at_its_interval_and_only_then() {
    let config = MACHINES.replace("[alarm]\n", "[alarm]\nremind = '30 min'\n");
    let mut site = Site::new(&config, 1);
    site.minutes(0..5, SOUND);
    site.minutes(5..75, [Some(6.0), Some(2.0), Some(2.0), Some(2.0)]);
    assert_eq!(site.said(), ["drive raised", "drive reminded", "drive reminded"]);
    let again = site.alerts()[1];
    assert!(again.message.starts_with("Not acknowledged yet: "), "{}", again.message);
    site.command(75, 0, Action::Acknowledge { alert: None });
    site.minutes(76..200, [Some(6.0), Some(2.0), Some(2.0), Some(2.0)]);
    assert_eq!(site.said()[3..], ["drive acknowledged"]);
}

/// Two machines with a speed each, learned for three hours; then a stop of an hour, and all shake `factors` times as much.
fn after_a_stop(groups: &str, factors: [f64; 4]) -> Site {
    let machine = |name: &str| {
        format!(
            "[assets.{name}.points]\nvib_de = {{ unit = 'mm/s rms' }}\nvib_nde = {{ unit = 'mm/s rms' }}\n\
             speed = {{ unit = 'rpm' }}\n"
        )
    };
    let settings =
        "[align]\ncadence = '1 min'\n[learn]\nrun_time = '3 h'\nmin_snapshots = 100\n[screen]\nsilent = '2 h'\n";
    let mut site = Site::new(&format!("{settings}{}{}{groups}", machine("drive"), machine("roll-1")), 1);
    let mut seed = 11_u64;
    let mut noise = move || {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 40) as f64 / f64::from(1 << 24) - 0.5
    };
    for minute in 0..480 {
        let at = EventTime(MIDNIGHT + minute * 60_000_000);
        site.engines[0].step(&Event::Tick(at), &mut site.out);
        let stopped = (300..360).contains(&minute);
        for machine in 0..2_usize {
            for point in 0..3_u16 {
                let grown = if minute < 360 { 1.0 } else { factors[2 * machine + usize::from(point.min(1))] };
                let value = match (point, stopped) {
                    (2, true) => noise().abs(),
                    (2, false) => 1480.0 + 4.0 * noise(),
                    (_, true) => 0.05 + 0.01 * noise(),
                    (_, false) => (2.0 + f64::from(point)) * (1.0 + 0.04 * noise()) * grown,
                };
                let (asset, quality) = (AssetId(machine as u32), Quality::Good);
                let observation = Observation { asset, point, at, value, quality };
                site.engines[0].step(&Event::Observed(observation), &mut site.out);
            }
        }
    }
    site
}

const PAIR: &str = "[[groups]]\nname = 'pair'\nkind = 'line'\nmembers = ['drive', 'roll-1']\n";

#[test]
fn machines_that_come_back_from_a_stop_at_one_factor_were_set_up_anew() {
    let site = after_a_stop(PAIR, [1.7, 1.72, 1.68, 1.7]);
    let said = site.said();
    let alert = site.alerts()[0];
    assert!(site.alerts().iter().all(|other| other.asset == alert.asset), "one alert: {said:?}");
    let other = if alert.asset == "drive" { "roll-1" } else { "drive" };
    let set_up = alert.set_up.as_ref().expect("seen as one");
    assert_eq!((set_up.points, set_up.machines.as_slice()), (4, &[other.to_owned()][..]));
    assert!((set_up.factor - 1.7).abs() < 0.06, "{set_up:?}");
    assert!(alert.message.contains("looks like a changed set-up"), "{}", alert.message);
    assert!(site.alerts().iter().all(|alert| alert.severity == Severity::Advisory), "it stays one");
}

#[test]
fn a_machine_that_comes_back_alone_or_unevenly_is_not_set_up_anew() {
    for (groups, factors) in [
        // The other did not change.
        (PAIR, [1.7, 1.72, 1.0, 1.0]),
        // Each another factor.
        (PAIR, [1.7, 1.72, 1.3, 1.3]),
        // One end of one of them.
        (PAIR, [1.7, 1.1, 1.7, 1.7]),
        // Nobody says that they belong together.
        ("", [1.7, 1.7, 1.7, 1.7]),
        // Twice the level.
        (PAIR, [2.2, 2.2, 2.2, 2.2]),
    ] {
        let site = after_a_stop(groups, factors);
        let said = site.said();
        assert!(said.contains(&"drive raised".to_owned()), "{factors:?} {said:?}");
        assert!(site.alerts().iter().all(|alert| alert.set_up.is_none()), "{factors:?}");
        assert!(site.alerts().iter().any(|alert| alert.severity >= Severity::Warning), "{factors:?}: {said:?}");
    }
}
