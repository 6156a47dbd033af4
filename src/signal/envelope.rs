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
