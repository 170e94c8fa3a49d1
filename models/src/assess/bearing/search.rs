//! The search: bands × parts × slips, then the decision. See the module page for the reasoning.

use super::findings::{BearingFindings, BearingVerdict, EnvelopeSpectrum, EvidenceLine, Family, Irregular, LineKind};
use super::geometry::{Bearing, BearingPart};
use crate::assess::shaft_speed::{LineRatios, ShaftSpeed, SpeedSource, estimate, settle};
use crate::manipulate::waveform::comb::{comb_sum, fit, log10_erlang_tail};
use crate::manipulate::waveform::floor::noise_floor;
use crate::manipulate::waveform::prewhiten::Prewhitener;
use crate::manipulate::waveform::transform::Fourier;
use crate::manipulate::waveform::{BandEnvelope, BandEnvelopes, Signal, Unusable, Window, fast_length};
use crate::param::{ParamFault, positive, within};
use realfft::num_complex::Complex;
use serde::{Deserialize, Serialize};

/// | setting | default | unit | range |
/// |---|---|---|---|
/// | `levels` | 3 | halvings of the frequency range | 0 to 6 |
/// | `harmonics` | 5 | lines of a family | 1 to 20 |
/// | `slip` | 0.015 | part of the computed frequency | 0 to 0.03 |
/// | `false_detection` | 1e-6 | probability per waveform | 0 to 0.1 |
/// | `least_depth` | 0.5 (−6 dB) | of the mean squared envelope | 0 to 2 |
/// | `impact_kurtosis` | 17/9 | spectral kurtosis | above 0 |
/// | `floor_reach_hz` | 12 | Hz to each side | above 0 |
/// | `least_turns` | 20 | revolutions | above 0 |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BearingParams {
    /// How often the frequency range is halved.
    pub levels: u32,
    /// Harmonics of a family.
    pub harmonics: u32,
    /// How far slip may move a line; the speed's own uncertainty is added.
    pub slip: f64,
    /// Probability that a waveform of noise shows a significant family of any part in any band.
    pub false_detection: f64,
    /// Modulation depth from which a significant family is named.
    pub least_depth: f64,
    /// Spectral kurtosis above which impacts are told. The default is that of noise under full sinusoidal modulation,
    /// 2 · (35/8) / (3/2)² − 2 = 17/9: the most that anything smooth gives.
    pub impact_kurtosis: f64,
    /// Neighbourhood of the noise floor.
    pub floor_reach_hz: f64,
    /// Fewer turns are not diagnosed.
    pub least_turns: f64,
}

impl Default for BearingParams {
    fn default() -> Self {
        Self {
            levels: 3,
            harmonics: 5,
            slip: 0.015,
            false_detection: 1e-6,
            least_depth: 0.5,
            impact_kurtosis: 17.0 / 9.0,
            floor_reach_hz: 12.0,
            least_turns: 20.0,
        }
    }
}

impl BearingParams {
    /// Every fault of the settings.
    ///
    /// # Errors
    /// One [`ParamFault`] for each setting out of range.
    pub fn check(self) -> Result<Self, Vec<ParamFault>> {
        let faults: Vec<_> = [
            within("levels", f64::from(self.levels), 0.0, 6.0),
            within("harmonics", f64::from(self.harmonics), 1.0, 20.0),
            within("slip", self.slip, 0.0, 0.03),
            within("false_detection", self.false_detection, f64::MIN_POSITIVE, 0.1),
            within("least_depth", self.least_depth, 0.0, 2.0),
            positive("impact_kurtosis", self.impact_kurtosis),
            positive("floor_reach_hz", self.floor_reach_hz),
            positive("least_turns", self.least_turns),
        ]
        .into_iter()
        .flatten()
        .collect();
        if faults.is_empty() { Ok(self) } else { Err(faults) }
    }
}

/// Lowest and highest fundamental of a family that belongs to nothing known, in orders.
const UNKNOWN_ORDERS: (f64, f64) = (1.5, 12.0);
/// Impacts ring the structure well above the shaft's own harmonics; below this order kurtosis means something else.
const IMPACT_FROM_ORDER: f64 = 20.0;
/// Neighbourhood by which a line is equalised: wide against a family's spacing of sidebands, narrow against a resonance.
const WHITEN_REACH_HZ: f64 = 50.0;
/// Above this part of half the sample rate lies the edge of the anti-aliasing filter, where prewhitening lifts artefacts.
const USABLE_BAND: f64 = 0.9;

/// Analyses waveforms of one length. Plans and buffers are made once; see [`BearingAnalyser::analyse`].
#[derive(Debug, Clone)]
pub struct BearingAnalyser {
    params: BearingParams,
    len: usize,
    waveform: Fourier,
    weights: Vec<f64>,
    envelopes: BandEnvelopes,
    power: Vec<f64>,
    floor: Vec<f64>,
    window: Vec<f64>,
    ratio: Vec<f64>,
    whitened: Vec<Complex<f64>>,
    prewhitener: Prewhitener,
}

/// A fit with the band it was found in.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    bearing: usize,
    part: BearingPart,
    slip: f64,
    log10_p: f64,
    harmonics: usize,
    band: usize,
    /// Significant and deep enough in this band.
    strong: bool,
}

impl Candidate {
    /// A band where the family is both significant and deep comes before one where it is only significant.
    fn better_than(&self, other: &Candidate) -> bool {
        (self.strong, -self.log10_p) > (other.strong, -other.log10_p)
    }
}

impl BearingAnalyser {
    /// Plans for waveforms of `samples` samples; they are cut to the next length that transforms fast.
    ///
    /// # Errors
    /// Every fault of the settings.
    pub fn new(samples: usize, params: BearingParams) -> Result<Self, Vec<ParamFault>> {
        let params = params.check()?;
        let len = fast_length(samples);
        let waveform = Fourier::new(len);
        Ok(Self {
            params,
            len,
            weights: Window::Hann.weights(waveform.len()),
            envelopes: BandEnvelopes::new(len, params.levels),
            whitened: Vec::with_capacity(waveform.bin_count()),
            prewhitener: Prewhitener::default(),
            waveform,
            power: Vec::new(),
            floor: Vec::new(),
            window: Vec::new(),
            ratio: Vec::new(),
        })
    }

    /// Samples of the waveforms it is planned for, after cutting.
    pub fn len(&self) -> usize {
        self.len
    }

    /// Never.
    pub fn is_empty(&self) -> bool {
        self.len == 0
    }

    /// Looks for the defects of `bearings` in an acceleration waveform of any unit.
    ///
    /// # Errors
    /// [`Unusable::TooShort`] when the record is shorter than planned for or has too few turns, [`Unusable::Flat`] when
    /// nothing varies.
    pub fn analyse(
        &mut self,
        signal: &Signal<'_>,
        told: ShaftSpeed,
        bearings: &[Bearing],
    ) -> Result<BearingFindings, Unusable> {
        let rate_hz = signal.rate_hz();
        let step_hz = rate_hz / self.len as f64;
        let secs = self.len as f64 / rate_hz;
        let needed_secs = self.params.least_turns / told.hz();
        let Some(samples) = signal.samples().get(..self.len).filter(|_| secs >= needed_secs) else {
            return Err(Unusable::TooShort { secs: signal.secs(), needed_secs: needed_secs.max(secs) });
        };
        let mean = samples.iter().sum::<f64>() / self.len as f64;
        if !samples.iter().any(|x| (x - mean).abs() > 1e-9 * mean.abs().max(f64::MIN_POSITIVE)) {
            return Err(Unusable::Flat);
        }
        self.whiten(samples, mean, step_hz);
        let speed = self.settle_speed(samples, mean, step_hz, told);
        let shaft_hz = speed.hz();

        let tolerance = self.params.slip + if speed.source == SpeedSource::Waveform { 0.0 } else { told.uncertainty };
        let harmonics = self.params.harmonics as usize;
        let top_order = bearings
            .iter()
            .flat_map(|b| BearingPart::ALL.map(|part| b.orders.of(part)))
            .fold(UNKNOWN_ORDERS.1 / harmonics as f64, f64::max);
        let max_hz = (top_order * (1.0 + tolerance) * harmonics as f64 + 2.0) * shaft_hz;
        let reach_hz = self.params.floor_reach_hz;

        let bands = self.envelopes.bands().len();
        let hypotheses = (bearings.len() * BearingPart::ALL.len()).max(1);
        let searched = ((bands * hypotheses) as f64).log10();
        let limit = self.params.false_detection.log10();
        let mut best: Vec<Candidate> = Vec::with_capacity(hypotheses);
        let mut irregular: Option<Irregular> = None;
        for index in 0..bands {
            let Some(envelope) = self.envelopes.band(index, &self.whitened, step_hz, max_hz, reach_hz) else {
                continue;
            };
            let inside =
                envelope.low_hz >= IMPACT_FROM_ORDER * shaft_hz && envelope.high_hz <= USABLE_BAND * 0.5 * rate_hz;
            if inside && irregular.is_none_or(|i| envelope.repeated_kurtosis > i.kurtosis) {
                irregular = Some(Irregular {
                    kurtosis: envelope.repeated_kurtosis,
                    low_hz: envelope.low_hz,
                    high_hz: envelope.high_hz,
                });
            }
            without_shaft(envelope.ratio, envelope.step_hz, shaft_hz, 1, &mut self.ratio);
            for (bearing, part) in (0..bearings.len()).flat_map(|b| BearingPart::ALL.map(|part| (b, part))) {
                let Some(order) = bearings.get(bearing).map(|b| b.orders.of(part)) else { continue };
                let Some(found) = fit(&self.ratio, step_hz, order * shaft_hz, tolerance, harmonics) else { continue };
                let log10_p = (found.log10_p + searched).min(0.0);
                let hz = order * shaft_hz * (1.0 + found.slip);
                let strong = log10_p <= limit && depth(&envelope, hz, found.harmonics) >= self.params.least_depth;
                let (slip, harmonics) = (found.slip, found.harmonics);
                let new = Candidate { bearing, part, slip, log10_p, harmonics, band: index, strong };
                match best.iter_mut().find(|c| c.bearing == bearing && c.part == part) {
                    Some(old) if new.better_than(old) => *old = new,
                    Some(_) => {}
                    None => best.push(new),
                }
            }
        }
        best.sort_by(|a, b| a.log10_p.total_cmp(&b.log10_p));
        let irregular = irregular.filter(|i| i.kurtosis > self.params.impact_kurtosis);

        let view = View { step_hz, max_hz, reach_hz, shaft_hz };
        let families: Vec<Family> =
            best.iter().filter_map(|c| self.family(c, bearings.get(c.bearing)?, &view)).collect();
        Ok(self.decide(speed, families, &best, irregular, bearings, &view))
    }

    /// Prewhitened transform of the waveform, kept in `whitened`.
    fn whiten(&mut self, samples: &[f64], mean: f64, step_hz: f64) {
        let bins = self.waveform.forward_of(|n| samples.get(n).map_or(0.0, |x| x - mean));
        self.whitened.clear();
        self.whitened.extend_from_slice(bins);
        self.prewhitener.equalise(&mut self.whitened, (WHITEN_REACH_HZ / step_hz).round() as usize);
    }

    fn settle_speed(&mut self, samples: &[f64], mean: f64, step_hz: f64, told: ShaftSpeed) -> ShaftSpeed {
        let weights = &self.weights;
        let bins = self.waveform.forward_of(|n| match (samples.get(n), weights.get(n)) {
            (Some(x), Some(w)) => (x - mean) * w,
            _ => 0.0,
        });
        let top_hz = 20.0 * told.hz();
        let count = ((top_hz / step_hz).ceil() as usize).saturating_add(1).min(bins.len());
        self.power.clear();
        self.power.extend(bins.iter().take(count).map(|bin| bin.norm_sqr()));
        let reach_hz = self.params.floor_reach_hz;
        noise_floor(&self.power, (reach_hz / step_hz).round() as usize, &mut self.floor, &mut self.window);
        self.ratio.clear();
        self.ratio.extend(self.power.iter().zip(&self.floor).map(|(p, f)| p / f));
        let Some(whole) = self.envelopes.band(0, &self.whitened, step_hz, top_hz, reach_hz) else { return told };
        settle(
            told,
            estimate(
                &told,
                LineRatios { ratio: &self.ratio, step_hz },
                LineRatios { ratio: whole.ratio, step_hz: whole.step_hz },
            ),
        )
    }

    /// The family of a candidate with its lines, from its band computed once more.
    fn family(&mut self, candidate: &Candidate, bearing: &Bearing, view: &View) -> Option<Family> {
        let envelope = self.envelopes.band(candidate.band, &self.whitened, view.step_hz, view.max_hz, view.reach_hz)?;
        let hz = bearing.orders.of(candidate.part) * view.shaft_hz * (1.0 + candidate.slip);
        let sidebands = candidate.part.sideband_orders(&bearing.orders).map(|orders| orders * view.shaft_hz);
        let mut family = gather(&envelope, hz, candidate.harmonics, sidebands, view.shaft_hz);
        family.bearing = Some(candidate.bearing);
        family.part = Some(candidate.part);
        family.slip = candidate.slip;
        family.log10_p = candidate.log10_p;
        Some(family)
    }

    fn decide(
        &mut self,
        speed: ShaftSpeed,
        families: Vec<Family>,
        candidates: &[Candidate],
        irregular: Option<Irregular>,
        bearings: &[Bearing],
        view: &View,
    ) -> BearingFindings {
        let limit = self.params.false_detection.log10();
        // Only the most surprising family is a candidate: a fainter one beside it is at best its shadow.
        let enough = |f: &&Family| f.log10_p <= limit && f.depth >= self.params.least_depth;
        let strong = families.first().filter(enough);
        // A cage does not strike: its rate modulates what races and elements do, and is named only without them.
        let strong = match strong {
            Some(cage) if cage.part == Some(BearingPart::Cage) => {
                let struck = |f: &&Family| f.bearing == cage.bearing && f.part != cage.part;
                families.iter().filter(struck).find(enough).or(strong)
            }
            _ => strong,
        };
        let band_of = |family: &Family| {
            candidates
                .iter()
                .find(|c| Some(c.bearing) == family.bearing && Some(c.part) == family.part)
                .map_or(0, |c| c.band)
        };
        let plot_band = strong.or_else(|| families.first()).map_or(0, band_of);
        // The strongest family that the named one does not explain, in the coarse bands.
        let coarse = self.envelopes.bands().iter().filter(|b| b.level <= 2).count();
        let mut unknown: Option<Family> = None;
        for index in 0..coarse {
            let found = self.unknown_in(index, strong.map(|family| (family, bearings)), view);
            unknown = match (unknown, found) {
                (Some(old), Some(new)) if new.log10_p < old.log10_p => Some(new),
                (old, new) => old.or(new),
            };
        }
        let unknown = unknown.filter(|f| f.log10_p <= limit && f.depth >= self.params.least_depth);

        let score = |surplus: f64| 0.5 + 0.49 * (1.0 - (-surplus.max(0.0) / 15.0).exp());
        let surprise = |family: &Family| -family.log10_p;
        let (verdict, confidence) = match (strong, &unknown, irregular) {
            (Some(family), rival, _) if rival.as_ref().is_none_or(|r| surprise(r) < surprise(family)) => {
                let over_limit = surprise(family) + limit;
                let over_rival = rival.as_ref().map_or(f64::INFINITY, |r| surprise(family) - surprise(r));
                let verdict = match (family.bearing, family.part) {
                    (Some(bearing), Some(part)) => BearingVerdict::Defect { bearing, part },
                    _ => BearingVerdict::Nothing,
                };
                (verdict, score(over_limit.min(over_rival)))
            }
            (_, Some(family), _) => (BearingVerdict::UnknownRate, score(surprise(family) + limit)),
            (_, None, Some(_)) => (BearingVerdict::IrregularImpacts, 0.4),
            (_, None, None) => {
                // The fainter the most surprising family, the surer the silence.
                let faint = families.first().is_none_or(|f| f.log10_p > -3.0);
                (BearingVerdict::Nothing, if faint { 0.9 } else { 0.6 })
            }
        };
        let envelope = self
            .envelopes
            .band(plot_band, &self.whitened, view.step_hz, view.max_hz, view.reach_hz)
            .map(|e| EnvelopeSpectrum {
                low_hz: e.low_hz,
                high_hz: e.high_hz,
                step_hz: e.step_hz,
                depth: e.power.iter().map(|p| p.sqrt()).collect(),
                floor: e.floor.iter().map(|p| p.sqrt()).collect(),
            })
            .unwrap_or_default();
        BearingFindings { speed, verdict, confidence, families, unknown, irregular, envelope }
    }

    /// The strongest family of a band at any fundamental, with the lines of the shaft and of `known` taken out.
    fn unknown_in(&mut self, band: usize, known: Option<(&Family, &[Bearing])>, view: &View) -> Option<Family> {
        let harmonics = self.params.harmonics as usize;
        let bands = self.envelopes.bands().len() as f64;
        let envelope = self.envelopes.band(band, &self.whitened, view.step_hz, view.max_hz, view.reach_hz)?;
        without_shaft(envelope.ratio, envelope.step_hz, view.shaft_hz, 2, &mut self.ratio);
        if let Some((family, bearings)) = known {
            take_out(&mut self.ratio, family, bearings, view);
        }
        let (low, high) = (UNKNOWN_ORDERS.0 * view.shaft_hz, UNKNOWN_ORDERS.1 * view.shaft_hz);
        let step = 0.5 * view.step_hz / harmonics as f64;
        let trials = ((high - low) / step).floor().max(1.0) as usize;
        let mut best: Option<(f64, f64, usize)> = None;
        for trial in 0..trials {
            let hz = low + trial as f64 * step;
            let (sum, inside) = comb_sum(&self.ratio, view.step_hz, hz, harmonics);
            // Families cut off by the end of the spectrum are judged by the lines they have.
            let per_line = sum - inside as f64;
            if best.is_none_or(|(_, b, _)| per_line > b) {
                best = Some((hz, per_line, inside));
            }
        }
        let (hz, per_line, inside) = best?;
        let tail = log10_erlang_tail(per_line + inside as f64, inside);
        let mut family = gather(&envelope, hz, inside, None, view.shaft_hz);
        family.log10_p = (tail + (trials as f64 * bands).log10()).min(0.0);
        Some(family)
    }
}

#[derive(Debug, Clone, Copy)]
struct View {
    step_hz: f64,
    max_hz: f64,
    reach_hz: f64,
    shaft_hz: f64,
}

/// The ratios with the lines at multiples of shaft speed (± `reach` lines) brought down to what noise gives.
fn without_shaft(ratio: &[f64], step_hz: f64, shaft_hz: f64, reach: usize, out: &mut Vec<f64>) {
    out.clear();
    out.extend_from_slice(ratio);
    // Lines near 0 Hz are the slow swing of the whole record.
    for line in out.iter_mut().take(3) {
        *line = line.min(1.0);
    }
    let spacing = shaft_hz / step_hz;
    // Asked for, not refused, so that NaN fails.
    let apart = spacing > 2.0 * (reach as f64 + 1.0);
    if !apart {
        return;
    }
    for k in 1..=((out.len() as f64 / spacing) as usize) {
        quieten(out, k as f64 * shaft_hz, step_hz, reach);
    }
}

fn quieten(ratio: &mut [f64], hz: f64, step_hz: f64, reach: usize) {
    let above_zero = hz > 0.0;
    if !above_zero {
        return;
    }
    let at = (hz / step_hz).round() as usize;
    for line in ratio.iter_mut().skip(at.saturating_sub(reach)).take(2 * reach + 1) {
        *line = line.min(1.0);
    }
}

/// Takes the lines of a named family out, with the sidebands that shaft and cage put around them.
fn take_out(ratio: &mut [f64], family: &Family, bearings: &[Bearing], view: &View) {
    let cage_hz = family.bearing.and_then(|b| bearings.get(b)).map_or(0.0, |b| b.orders.ftf * view.shaft_hz);
    let top_hz = ratio.len() as f64 * view.step_hz;
    let mut k = 1.0;
    while k * family.hz < top_hz + 2.0 * view.shaft_hz {
        for around in [view.shaft_hz, cage_hz] {
            for side in [-2.0, -1.0, 0.0, 1.0, 2.0] {
                quieten(ratio, k * family.hz + side * around, view.step_hz, 3);
            }
        }
        k += 1.0;
    }
}

/// Depth of a family: root of its lines' summed squares, less the floor.
fn depth(envelope: &BandEnvelope<'_>, hz: f64, harmonics: usize) -> f64 {
    let line = |k: usize| {
        let index = (k as f64 * hz / envelope.step_hz).round() as usize;
        Some(envelope.power.get(index)? - envelope.floor.get(index)?)
    };
    (1..=harmonics).filter_map(line).sum::<f64>().max(0.0).sqrt()
}

/// Collects the lines of a family from its band.
fn gather(envelope: &BandEnvelope<'_>, hz: f64, harmonics: usize, sidebands_hz: Option<f64>, shaft_hz: f64) -> Family {
    let line = |kind: LineKind, at_hz: f64| {
        let index = (at_hz / envelope.step_hz).round();
        let index = (index >= 0.0).then_some(index as usize)?;
        let (power, floor) = (*envelope.power.get(index)?, *envelope.floor.get(index)?);
        Some(EvidenceLine {
            kind,
            order: at_hz / shaft_hz,
            hz: at_hz,
            amplitude: power.sqrt(),
            floor: floor.sqrt(),
            db: 10.0 * (power / floor).log10(),
        })
    };
    let mut lines = Vec::with_capacity(3 * harmonics);
    lines.extend((1..=harmonics as u32).filter_map(|k| line(LineKind::Harmonic(k), f64::from(k) * hz)));
    let (mut sum, mut count) = (0.0, 0);
    if let Some(apart) = sidebands_hz {
        for k in 1..=harmonics.min(3) as u32 {
            for side in [-1, 1] {
                if let Some(found) = line(LineKind::Sideband(k, side), f64::from(k) * hz + f64::from(side) * apart) {
                    sum += (found.amplitude / found.floor).powi(2);
                    count += 1;
                    lines.push(found);
                }
            }
        }
    }
    Family {
        bearing: None,
        part: None,
        hz,
        order: hz / shaft_hz,
        slip: 0.0,
        log10_p: 0.0,
        depth: depth(envelope, hz, harmonics),
        sidebands_log10_p: log10_erlang_tail(sum, count),
        low_hz: envelope.low_hz,
        high_hz: envelope.high_hz,
        lines,
    }
}
