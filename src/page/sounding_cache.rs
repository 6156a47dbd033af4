//! Kept soundings that were looked at, so that each is drawn once, not once a picture.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex};

use crate::page::fault::Fault;
use crate::page::locks::locked;
use crate::record::sounding::SoundingRecord;
use crate::store::Store;
use crate::store::records::Kept;
use crate::tasks::build_baseline::behind_wheel;
use crate::tasks::show_sounding::{ShownSounding, show_sounding};

/// Soundings that are held; a few MB each.
const MOST: usize = 8;

/// The soundings that were looked at last, by the hash of their record.
#[derive(Debug, Default)]
pub(super) struct SoundingCache {
    held: Mutex<VecDeque<(String, Arc<ShownSounding>)>>,
    /// One at a time: ten pictures of one page must not measure ten times.
    work: Mutex<()>,
}

impl SoundingCache {
    fn find(&self, hash: &str) -> Option<Arc<ShownSounding>> {
        let mut held = locked(&self.held);
        let at = held.iter().position(|h| h.0 == hash)?;
        let found = held.remove(at)?;
        let shown = Arc::clone(&found.1);
        held.push_front(found);
        Some(shown)
    }

    /// The sounding, drawn now if it is not held.
    ///
    /// # Errors
    /// [`Fault`] when its sound is gone.
    pub(super) fn show(
        &self,
        store: &Store,
        kept: &Kept<SoundingRecord>,
    ) -> Result<Arc<ShownSounding>, Fault> {
        if let Some(shown) = self.find(&kept.hash) {
            return Ok(shown);
        }
        let _one = locked(&self.work);
        if let Some(shown) = self.find(&kept.hash) {
            return Ok(shown);
        }
        let behind = behind_wheel(Some(store), kept.record.wheel.as_deref(), None);
        let shown = show_sounding(store, kept, behind.unwrap_or_default());
        let shown = Arc::new(shown.map_err(|e| Fault::not_found(e.to_string()))?);
        let mut held = locked(&self.held);
        held.push_front((kept.hash.clone(), Arc::clone(&shown)));
        held.truncate(MOST);
        Ok(shown)
    }
}
