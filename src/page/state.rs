//! What the views share. All that matters lies in the store; this here may be lost.

use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use tokio::sync::Semaphore;

use crate::page::bench::Bench;
use crate::page::ears::Ears;
use crate::page::fault::Fault;
use crate::page::form::filled;
use crate::page::locks::locked;
use crate::page::lot_job::LotJobs;
use crate::page::sounding_cache::SoundingCache;
use crate::store::Store;
use crate::tasks::make_demo::{Made, each_made};

/// Recordings that are taken in at the same time.
const UPLOADS: usize = 2;

/// What the views share.
pub(super) struct Page {
    /// The port that is listened on.
    pub(super) port: u16,
    /// Folder of the store.
    pub(super) folder: PathBuf,
    /// The sounding that is being taken.
    pub(super) bench: Bench,
    /// Kept soundings that were looked at.
    pub(super) cache: SoundingCache,
    /// Ear tests that are under way.
    pub(super) ears: Ears,
    /// Lots that are being read.
    pub(super) lots: LotJobs,
    /// The page for a class.
    pub(super) class: ClassPage,
    pub(super) demo: DemoSet,
    /// Keeps the number of uploads down.
    pub(super) uploads: Semaphore,
    /// Who was named last as the one who works here.
    by: Mutex<Option<String>>,
}

impl Page {
    /// Over the store in this folder.
    pub(super) fn new(folder: PathBuf, port: u16) -> Self {
        Self {
            port,
            folder,
            bench: Bench::default(),
            cache: SoundingCache::default(),
            ears: Ears::default(),
            lots: LotJobs::default(),
            class: ClassPage::default(),
            demo: DemoSet::default(),
            uploads: Semaphore::new(UPLOADS),
            by: Mutex::new(None),
        }
    }

    /// Opens the store.
    ///
    /// # Errors
    /// [`Fault`] when it cannot be opened.
    pub(super) fn store(&self) -> Result<Store, Fault> {
        Ok(Store::open(&self.folder)?)
    }

    /// Who was named last.
    pub(super) fn by(&self) -> Option<String> {
        locked(&self.by).clone()
    }

    /// Remembers who works here; an empty name is nobody.
    pub(super) fn remember_by(&self, name: &str) -> Option<String> {
        let name = filled(name).map(str::to_owned);
        if name.is_some() {
            locked(&self.by).clone_from(&name);
        }
        name
    }
}

/// The page for a class, which takes seconds to make.
#[derive(Debug, Default)]
pub(super) struct ClassPage {
    made: Mutex<Option<String>>,
}

impl ClassPage {
    /// The page as it was made, or makes it.
    ///
    /// # Errors
    /// As `make`.
    pub(super) fn get_or_make(
        &self,
        make: impl FnOnce() -> Result<String, Fault>,
    ) -> Result<String, Fault> {
        let mut made = locked(&self.made);
        if let Some(page) = &*made {
            return Ok(page.clone());
        }
        let page = make()?;
        *made = Some(page.clone());
        Ok(page)
    }
}

/// The recordings to demonstrate with: some MB, which take seconds to compute.
#[derive(Debug, Default)]
pub(super) struct DemoSet {
    made: Mutex<Option<MadeSet>>,
}

/// Each with its bytes.
type MadeSet = Arc<Vec<(Made, Vec<u8>)>>;

impl DemoSet {
    /// The set, computed when it is first wanted.
    ///
    /// # Errors
    /// [`Fault`] when it cannot be computed.
    pub(super) fn all(&self) -> Result<MadeSet, Fault> {
        let mut made = locked(&self.made);
        if let Some(all) = &*made {
            return Ok(Arc::clone(all));
        }
        let mut all = Vec::new();
        each_made(|one, bytes| {
            all.push((one, bytes.to_vec()));
            Ok(())
        })
        .map_err(|e| Fault::failed(e.to_string()))?;
        let all = Arc::new(all);
        *made = Some(Arc::clone(&all));
        Ok(all)
    }
}

/// Does work that reads disks or measures, away from the thread that answers.
///
/// # Errors
/// As the work; [`Fault`] when it broke off by a fault of the program.
pub(super) async fn apart<T: Send + 'static>(
    page: &Arc<Page>,
    work: impl FnOnce(&Page) -> Result<T, Fault> + Send + 'static,
) -> Result<T, Fault> {
    let page = Arc::clone(page);
    let done = tokio::task::spawn_blocking(move || work(&page)).await;
    done.unwrap_or_else(|_| Err(Fault::failed("a fault of the program: nothing was changed")))
}
