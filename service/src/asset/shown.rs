//! One snapshot, and what of it is shown later: a sample of every point for the trends, and the operating state when it
//! is another one.
//!
//! Apart from the judging, so that a machine that learns, settles or stands still has its trend too.

use super::Context;
use super::findings::Findings;
use super::machine::Machine;
use super::now::Now;
use super::spec::Role;
use crate::engine::{Output, TrendSample};
use roundsman_models::manipulate::align::SnapshotView;

impl Machine {
    /// Judges a snapshot; says what is to be shown of it when that is wanted.
    pub fn snapshot(
        &mut self,
        snapshot: &SnapshotView<'_>,
        context: &Context<'_>,
        findings: &mut Findings,
        now: &mut Now,
        out: &mut Vec<Output>,
    ) {
        let before = self.run();
        self.judge(snapshot, context, findings, now, out);
        if !context.trends {
            return;
        }
        if self.run() != before {
            out.push(Output::OperatingState(context.id, snapshot.at(), self.state_name(context.spec)));
        }
        self.samples(snapshot, context, now, out);
    }

    fn samples(&self, snapshot: &SnapshotView<'_>, context: &Context<'_>, now: &Now, out: &mut Vec<Output>) {
        let at = snapshot.at();
        let conditions = &self.layout().conditions;
        for (i, (point, observed)) in conditions.iter().zip(&now.values).enumerate() {
            let location = now.state.and_then(|_| now.watched.scored.expected.get(i).copied()).unwrap_or(f64::NAN);
            let expected = now.state.and_then(|state| self.expected(i, state, location));
            let band = expected.map_or(f64::NAN, |e| BAND_SIGMAS * e.scale);
            if observed.is_finite() {
                let sample = TrendSample { point: *point, at, observed: *observed, expected: location, band };
                out.push(Output::Trend(context.id, sample));
            }
        }
        // What says how it is run: nothing is expected of it. A mean of state numbers would say nothing.
        for (point, spec) in (0_u16..).zip(&context.spec.points) {
            let observed = snapshot.get(point).0;
            if spec.role != Role::State && observed.is_finite() && !conditions.contains(&point) {
                let sample = TrendSample { point, at, observed, expected: f64::NAN, band: f64::NAN };
                out.push(Output::Trend(context.id, sample));
            }
        }
    }
}

/// Half width of the expected band, baseline standard deviations.
pub(super) const BAND_SIGMAS: f64 = 3.0;
