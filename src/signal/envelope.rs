//! Level over time: the mean power of several bands in short hops, from a stream.

use std::collections::VecDeque;

use crate::signal::filter::{BandBank, LANES};

/// Mean power per band in one hop or over several.
pub type Levels = [f64; LANES];

/// Mean power of bands in hops of equal length, kept for as long as wanted.
///
/// Hops are counted from the first sample; the result does not depend on how the stream is
/// cut into pieces.
#[derive(Debug, Clone)]
pub struct BandLevels {
    bank: BandBank,
    hop_len: usize,
    hops: VecDeque<Levels>,
    first: u64,
    open: Levels,
    filled: usize,
}

impl BandLevels {
    /// Hops of `hop_len` samples (at least 1) of the given bands in Hz.
    pub fn new(bands_hz: &[(f64, f64)], rate_hz: f64, hop_len: usize) -> Self {
        Self {
            bank: BandBank::new(bands_hz, rate_hz),
            hop_len: hop_len.max(1),
            hops: VecDeque::new(),
            first: 0,
            open: [0.0; LANES],
            filled: 0,
        }
    }

    /// Adds samples up to the end of the hop that is open. Returns how many were taken and
    /// whether the hop was completed.
    pub fn push(&mut self, samples: &[f64]) -> (usize, bool) {
        let take = samples.len().min(self.hop_len - self.filled);
        self.bank.add_energy(&samples[..take], &mut self.open);
        self.filled += take;
        if self.filled < self.hop_len {
            return (take, false);
        }
        let scale = 1.0 / self.hop_len as f64;
        self.hops.push_back(self.open.map(|e| e * scale));
        self.open = [0.0; LANES];
        self.filled = 0;
        (take, true)
    }

    /// Lets the filters hear samples that come before the first hop.
    pub fn warm(&mut self, samples: &[f64]) {
        let mut unused = [0.0; LANES];
        self.bank.add_energy(samples, &mut unused);
    }

    /// Samples per hop.
    pub fn hop_len(&self) -> usize {
        self.hop_len
    }

    /// Number of bands.
    pub fn bands(&self) -> usize {
        self.bank.bands()
    }

    /// First hop that is still kept.
    pub fn start(&self) -> u64 {
        self.first
    }

    /// One past the last complete hop.
    pub fn end(&self) -> u64 {
        self.first + self.hops.len() as u64
    }

    /// One hop, none where it is not kept or not yet there.
    pub fn hop(&self, index: u64) -> Option<&Levels> {
        let at = index.checked_sub(self.first)?;
        self.hops.get(usize::try_from(at).ok()?)
    }

    /// Mean of the hops from `from` up to but not including `to`, as far as they are there;
    /// none when there is not one.
    pub fn mean(&self, from: u64, to: u64) -> Option<Levels> {
        let from = from.max(self.first);
        let to = to.min(self.end());
        if from >= to {
            return None;
        }
        let mut sum = [0.0; LANES];
        for index in from..to {
            if let Some(levels) = self.hop(index) {
                for (s, e) in sum.iter_mut().zip(levels) {
                    *s += e;
                }
            }
        }
        let scale = 1.0 / (to - from) as f64;
        Some(sum.map(|s| s * scale))
    }

    /// Forgets hops before `index`.
    pub fn discard_before(&mut self, index: u64) {
        let many = index.saturating_sub(self.first).min(self.hops.len() as u64);
        self.hops.drain(..many as usize);
        self.first += many;
    }

    /// Takes back the hops from `index` on, and what is open.
    pub fn truncate(&mut self, index: u64) {
        self.hops
            .truncate(index.saturating_sub(self.first) as usize);
        self.open = [0.0; LANES];
        self.filled = 0;
    }
}

#[cfg(test)]
impl BandLevels {
    /// These levels, so that tests of what is told from levels need no sound.
    pub(crate) fn made_up(bands_hz: &[(f64, f64)], hop_len: usize, hops: Vec<Levels>) -> Self {
        Self {
            hops: hops.into(),
            ..Self::new(bands_hz, 8_000.0, hop_len)
        }
    }
}

/// Low level of each band over the last seconds: the 10 % quantile of ten-hop means.
#[derive(Debug, Clone)]
pub struct Floor {
    blocks: VecDeque<Levels>,
    sum: Levels,
    summed: usize,
    since: usize,
    floor: Option<Levels>,
}

impl Floor {
    const BLOCK_HOPS: usize = 10;
    const BLOCKS: usize = 300;
    const EVERY: usize = 10;

    /// Nothing heard yet.
    pub fn new() -> Self {
        Self {
            blocks: VecDeque::new(),
            sum: [0.0; LANES],
            summed: 0,
            since: 0,
            floor: None,
        }
    }

    /// Adds one hop.
    pub fn push(&mut self, levels: &Levels) {
        for (s, e) in self.sum.iter_mut().zip(levels) {
            *s += e;
        }
        self.summed += 1;
        if self.summed < Self::BLOCK_HOPS {
            return;
        }
        let scale = 1.0 / Self::BLOCK_HOPS as f64;
        self.blocks.push_back(self.sum.map(|s| s * scale));
        self.sum = [0.0; LANES];
        self.summed = 0;
        if self.blocks.len() > Self::BLOCKS {
            self.blocks.pop_front();
        }
        self.since += 1;
        if self.since >= Self::EVERY || self.floor.is_none() {
            self.since = 0;
            self.refresh();
        }
    }

    fn refresh(&mut self) {
        let mut floor = [0.0; LANES];
        let mut column: Vec<f64> = Vec::with_capacity(self.blocks.len());
        for (lane, low) in floor.iter_mut().enumerate() {
            column.clear();
            column.extend(self.blocks.iter().map(|b| b[lane]));
            let at = column.len() / 10;
            let (_, value, _) = column.select_nth_unstable_by(at, f64::total_cmp);
            *low = *value;
        }
        self.floor = Some(floor);
    }

    /// The floor, none before ten hops were heard.
    pub fn get(&self) -> Option<&Levels> {
        self.floor.as_ref()
    }
}

impl Default for Floor {
    fn default() -> Self {
        Self::new()
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    const BANDS: [(f64, f64); 2] = [(300.0, 600.0), (1200.0, 2400.0)];

    fn tone(freq_hz: f64, count: usize) -> Vec<f64> {
        (0..count)
            .map(|n| (std::f64::consts::TAU * freq_hz * n as f64 / 8000.0).sin())
            .collect()
    }

    fn levels_of(samples: &[f64], piece: usize) -> BandLevels {
        let mut levels = BandLevels::new(&BANDS, 8000.0, 80);
        for some in samples.chunks(piece) {
            let mut at = 0;
            while at < some.len() {
                at += levels.push(&some[at..]).0;
            }
        }
        levels
    }

    #[test]
    fn a_tone_has_its_mean_square_in_its_band_however_it_is_cut() {
        let x = tone(425.0, 2000);
        let whole = levels_of(&x, 2000);
        let cut = levels_of(&x, 33);
        assert_eq!((whole.start(), whole.end()), (0, 25));
        for hop in 0..25 {
            assert_eq!(whole.hop(hop), cut.hop(hop));
        }
        // Settled after some periods; half a watt for amplitude 1, 3 dB of filter allowed.
        let settled = whole.mean(10, 25).unwrap();
        assert!((0.25..0.55).contains(&settled[0]), "{settled:?}");
        assert!(settled[1] < 0.02, "{settled:?}");
    }

    #[test]
    fn a_hop_is_complete_with_its_last_sample() {
        let mut levels = BandLevels::new(&BANDS, 8000.0, 80);
        assert_eq!(levels.push(&[0.1; 79]), (79, false));
        assert_eq!(levels.end(), 0);
        assert_eq!(levels.push(&[0.1; 30]), (1, true));
        assert_eq!((levels.end(), levels.hop_len(), levels.bands()), (1, 80, 2));
        assert!(levels.hop(1).is_none());
    }

    // A filter that has heard the tone before does not have to swing in.
    #[test]
    fn warmth_takes_the_swinging_in_away() {
        let x = tone(425.0, 4000);
        let mut cold = BandLevels::new(&BANDS, 8000.0, 80);
        let mut warm = BandLevels::new(&BANDS, 8000.0, 80);
        warm.warm(&x[..3200]);
        assert_eq!(warm.end(), 0);
        cold.push(&x[..80]);
        warm.push(&x[3200..3280]);
        let (cold, warm) = (cold.hop(0).unwrap()[0], warm.hop(0).unwrap()[0]);
        let settled = levels_of(&x, 4000).hop(40).unwrap()[0];
        assert!((warm / settled - 1.0).abs() < 1e-6, "{warm} {settled}");
        assert!(cold < 0.9 * settled, "{cold} {settled}");
    }

    #[test]
    fn means_and_what_is_forgotten_or_taken_back() {
        let mut levels = levels_of(&tone(425.0, 1600), 1600);
        let one = |levels: &BandLevels, k: u64| levels.hop(k).map(|l| l[0]);
        let two = 0.5 * (one(&levels, 7).unwrap() + one(&levels, 8).unwrap());
        assert!((levels.mean(7, 9).unwrap()[0] - two).abs() < 1e-15);
        assert!(levels.mean(9, 9).is_none() && levels.mean(20, 30).is_none());
        // Only what is there counts.
        let last = levels.mean(18, 20).unwrap();
        assert_eq!(levels.mean(18, 99).unwrap(), last);
        levels.discard_before(5);
        assert_eq!((levels.start(), levels.end()), (5, 20));
        assert!(levels.hop(4).is_none() && levels.hop(5).is_some());
        assert_eq!(levels.mean(0, 6), levels.mean(5, 6));
        levels.truncate(12);
        assert_eq!((levels.start(), levels.end()), (5, 12));
        levels.discard_before(99);
        assert_eq!((levels.start(), levels.end()), (12, 12));
    }

    // Hops of level k in block k: the tenth part of them from below, as of every tenth block.
    #[test]
    fn the_floor_is_the_low_tenth_of_the_last_blocks() {
        let mut floor = Floor::new();
        let block = |floor: &mut Floor, level: f64| {
            for _ in 0..10 {
                floor.push(&[level; LANES]);
            }
        };
        for _ in 0..9 {
            floor.push(&[5.0; LANES]);
        }
        assert!(floor.get().is_none());
        floor.push(&[15.0; LANES]);
        // The first block is taken as soon as it is there: mean of nine fives and one fifteen.
        assert_eq!(floor.get().unwrap()[0], 6.0);
        // Ten blocks on it is looked at anew, not before.
        for k in 0..9 {
            block(&mut floor, 100.0 + f64::from(k));
        }
        assert_eq!(floor.get().unwrap()[0], 6.0);
        block(&mut floor, 200.0);
        // Eleven blocks, the second lowest.
        assert_eq!(floor.get().unwrap()[0], 100.0);
        // After 300 more nothing of it is left.
        for _ in 0..310 {
            block(&mut floor, 1000.0);
        }
        assert_eq!(floor.get().unwrap()[0], 1000.0);
    }
}
