//! Fits that still stand: a trend of weeks is not told anew every hour.
//!
//! A block adds one point to a series of dozens, and a fit tries some two thousand courses through all of them. So a fit
//! stands until its trend is older by [`OF_AGE`] or [`OF_LIFE`] of the soonest P10 has passed, whichever comes first; what
//! is stated in between is what was stated, less the time that went by. A trend of hours is fitted with every block: there
//! each one changes much. A series nothing could be forecast from is tried again when it has moved for longer by the same
//! share. A fit ends at once where what is forecast changes: a limit set or passed, a step, and where the level has come to the
//! milestone it was to be judged by. The shares are our judgement: well within the intervals.

use super::machine::Watch;
use crate::advise::document::Forecast;
use roundsman_models::EventTime;
use roundsman_models::detect::alarm::Severity;
use roundsman_models::prognose::{DegradationModel, Milestone, NoForecast, Side};
use serde::{Deserialize, Serialize};

/// Share of the trend's age, from its onset, by which it may grow.
const OF_AGE: f64 = 1.0 / 16.0;
/// Share of the time left, taken at P10, that may pass.
const OF_LIFE: f64 = 1.0 / 6.0;
/// The same of a failure at a level nobody knows, whose interval reaches over a decade.
const OF_WIDE_LIFE: f64 = 1.0 / 3.0;

/// What a fit and its times rest on, beside the levels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct Grounds {
    step: Option<EventTime>,
    crossed: Option<Severity>,
    /// All limits of a side are passed.
    past: bool,
    /// Past cases of the class say when it fails.
    foreseen: bool,
    /// Of each limit its side and, where a person or a standard gave it, its value. One of the baseline follows the season.
    limits: Vec<(Side, Option<f64>)>,
}

impl Grounds {
    pub(super) fn of(watch: &Watch, past: bool, foreseen: bool, limits: Vec<(Side, Option<f64>)>) -> Self {
        let step = watch.step.map(|s| s.onset);
        Self { step, crossed: watch.crossed.as_ref().map(|c| c.severity), past, foreseen, limits }
    }
}

/// What came of a fit to the limits.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Said {
    /// Times, by this model.
    Times(DegradationModel),
    /// None, and why.
    Nothing(NoForecast),
    /// Nothing to be said: the limits are reached.
    Past,
}

/// How long a fit stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Reach {
    /// Since the onset of the trend; without one, since the point began to move.
    pub(super) age_hours: f64,
    /// The soonest limit's; infinite without one.
    pub(super) p10_hours: f64,
    /// That of a failure at a level nobody knows; infinite without one.
    pub(super) failure_p10_hours: f64,
}

impl Reach {
    fn hours(self) -> f64 {
        let of_life = (OF_LIFE * self.p10_hours).min(OF_WIDE_LIFE * self.failure_p10_hours);
        (OF_AGE * self.age_hours).min(of_life).max(0.0)
    }
}

/// A fit of one point.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Fit {
    place: u16,
    until: EventTime,
    /// When its times were last told.
    told: EventTime,
    said: Said,
    /// What it is judged by, from when its times were last told.
    milestone: Option<Milestone>,
    grounds: Grounds,
}

/// A fit told again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Told {
    /// Since its times were last told.
    pub(super) hours: f64,
    pub(super) said: Said,
    pub(super) milestone: Option<Milestone>,
}

/// The fits of one asset that stand.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Standing(Vec<Fit>);

impl Standing {
    /// A new fit.
    pub(super) fn begin(
        &mut self,
        place: usize,
        at: EventTime,
        reach: Reach,
        (said, milestone): (Said, Option<Milestone>),
        grounds: Grounds,
    ) {
        let place = place as u16;
        let until = at.plus_secs(3600.0 * reach.hours());
        self.forget(place);
        self.0.push(Fit { place, until, told: at, said, milestone, grounds });
    }

    /// What a fit said, if it still stands on these grounds, with the level where it is now. Now its times are told again.
    /// One that does not is over, also if its grounds come back: what it stated is gone by then.
    pub(super) fn tell(&mut self, place: usize, at: EventTime, level: Option<f64>, grounds: &Grounds) -> Option<Told> {
        let place = place as u16;
        let stands = |fit: &&mut Fit| {
            let come = |m: Milestone| level.is_some_and(|level| m.is_reached(level));
            fit.place == place && at < fit.until && fit.grounds == *grounds && !fit.milestone.is_some_and(come)
        };
        let Some(fit) = self.0.iter_mut().find(stands) else {
            self.forget(place);
            return None;
        };
        let hours = at.hours_since(fit.told);
        fit.told = at;
        fit.milestone = fit.milestone.map(|milestone| milestone.later(hours));
        Some(Told { hours, said: fit.said, milestone: fit.milestone })
    }

    /// Nothing is stated of this point any more.
    pub(super) fn forget(&mut self, place: u16) {
        self.0.retain(|fit| fit.place != place);
    }

    /// Nor of any.
    pub(super) fn forget_all(&mut self) {
        self.0.clear();
    }
}

/// The same forecast `hours` later.
pub(super) fn later(forecast: &Forecast, hours: f64) -> Forecast {
    let less = |at: Option<f64>| at.map(|at| at - hours);
    let Forecast { p10_hours, p50_hours, p90_hours, .. } = *forecast;
    Forecast { p10_hours: less(p10_hours), p50_hours: less(p50_hours), p90_hours: less(p90_hours), ..forecast.clone() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(hours: f64) -> EventTime {
        EventTime(0).plus_secs(3600.0 * hours)
    }

    fn grounds(own: Option<f64>) -> Grounds {
        Grounds { step: None, crossed: None, past: false, foreseen: false, limits: vec![(Side::Upper, own)] }
    }

    const LINEAR: Said = Said::Times(DegradationModel::Linear);
    const MILESTONE: Milestone =
        Milestone { level: 5.0, side: Side::Upper, p10_hours: 20.0, p50_hours: 30.0, p90_hours: 45.0 };
    /// On its way to the milestone.
    const LEVEL: Option<f64> = Some(4.0);

    fn begun_with(at_hours: f64, p10_hours: f64, failure_p10_hours: f64) -> Standing {
        let mut standing = Standing::default();
        let reach = Reach { age_hours: at_hours, p10_hours, failure_p10_hours };
        standing.begin(3, at(at_hours), reach, (LINEAR, Some(MILESTONE)), grounds(Some(7.1)));
        standing
    }

    /// 320 h of trend and a P10 of 60 h: ten hours, by the life left.
    fn begun(at_hours: f64) -> Standing {
        begun_with(at_hours, 60.0, f64::INFINITY)
    }

    #[test]
    fn a_fit_stands_for_its_share_of_the_trends_age_or_of_the_life_left() {
        let mut standing = begun(320.0);
        let mut told = 0.0;
        for hour in 1..10 {
            let fit = standing.tell(3, at(320.0 + f64::from(hour)), LEVEL, &grounds(Some(7.1))).expect("stands");
            assert_eq!(fit.said, LINEAR);
            told += fit.hours;
            let milestone = fit.milestone.expect("as it began");
            assert_eq!((milestone.level, milestone.p50_hours), (5.0, 30.0 - told));
        }
        assert_eq!(told, 9.0);
        assert_eq!(standing.tell(3, at(330.0), LEVEL, &grounds(Some(7.1))), None);
        // Of 64 h a sixteenth part is four; of a failure's P10 of 9 h a third is three.
        for (mut young, hours) in [(begun(64.0), 4.0), (begun_with(64.0, 60.0, 9.0), 3.0)] {
            assert!(young.tell(3, at(64.0 + hours - 0.1), LEVEL, &grounds(Some(7.1))).is_some());
            assert_eq!(young.tell(3, at(64.0 + hours), LEVEL, &grounds(Some(7.1))), None);
        }
    }

    #[test]
    fn it_ends_with_what_it_rests_on() {
        for other in [
            grounds(Some(7.0)),
            grounds(None),
            Grounds { step: Some(at(1.0)), ..grounds(Some(7.1)) },
            Grounds { crossed: Some(Severity::Warning), ..grounds(Some(7.1)) },
            Grounds { past: true, ..grounds(Some(7.1)) },
            Grounds { foreseen: true, ..grounds(Some(7.1)) },
            Grounds { limits: Vec::new(), ..grounds(Some(7.1)) },
        ] {
            assert_eq!(begun(320.0).tell(3, at(321.0), LEVEL, &other), None);
        }
        assert_eq!(begun(320.0).tell(4, at(321.0), LEVEL, &grounds(Some(7.1))), None, "of another point");
        let mut over = begun(320.0);
        assert_eq!(over.tell(3, at(321.0), LEVEL, &grounds(None)), None);
        assert_eq!(over.tell(3, at(322.0), LEVEL, &grounds(Some(7.1))), None, "nor when its grounds come back");
        assert_eq!(begun(320.0).tell(3, at(321.0), Some(5.1), &grounds(Some(7.1))), None, "at the milestone");
        let mut standing = begun(320.0);
        standing.forget(3);
        assert_eq!(standing.tell(3, at(321.0), LEVEL, &grounds(Some(7.1))), None);
    }
}
