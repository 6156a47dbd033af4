//! A CSV table that says which recording belongs to which wheel.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use crate::audio::Input;
use crate::reading::Heard;
use crate::record::wheel::check_id;

/// The columns that are known.
const COLUMNS: [&str; 6] = ["file", "wheel", "session", "spot_deg", "heard", "temp_c"];

/// A sounding of the table.
#[derive(Debug, Clone, PartialEq)]
pub struct TableSounding {
    /// Id of the wheel.
    pub wheel: String,
    /// Session, empty where there is none.
    pub session: String,
    /// Its recordings, in the order of their spots where all are given, else of the table.
    pub inputs: Vec<Input>,
    /// Spot of each recording in degrees from the wheel's mark, where given.
    pub spots_deg: Vec<Option<f64>>,
    /// What the ear heard, tap by tap; empty when it was not asked.
    pub heard: Vec<Heard>,
    /// Temperature of the wheel in degrees Celsius, where given: that of its first file that has
    /// one.
    pub temp_c: Option<f64>,
}

/// What is wrong with a table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{table}{}{}: {what}; {remedy}", line.map(|l| format!(", line {l}")).unwrap_or_default(), column.map(|c| format!(", column {c}")).unwrap_or_default())]
pub struct TableError {
    /// The table.
    pub table: String,
    /// Line, counted from 1, the header being the first.
    pub line: Option<u64>,
    /// Column by name.
    pub column: Option<&'static str>,
    /// What is wrong.
    pub what: String,
    /// What to do.
    pub remedy: &'static str,
}

/// A row, checked by itself.
struct Row {
    line: u64,
    path: PathBuf,
    wheel: String,
    session: String,
    spot_deg: Option<f64>,
    heard: Vec<Heard>,
    temp_c: Option<f64>,
}

/// Reads a table: the first line names the columns `file` and `wheel`, and if wanted `session`,
/// `spot_deg`, `heard` and `temp_c`; fields are parted by commas, or by semicolons where the first
/// line has no comma. Paths are relative to the table's folder. Several words in `heard` (for several taps
/// in one file) are parted by blanks.
///
/// Rows of one wheel (in whatever case) and session are one sounding; soundings come in the
/// order of their first rows.
///
/// # Errors
/// [`TableError`] with line and column.
pub fn read_table(table: &Path) -> Result<Vec<TableSounding>, TableError> {
    let reader = Reader {
        name: table.display().to_string(),
        folder: table.parent().unwrap_or(Path::new("")),
    };
    let text = std::fs::read_to_string(table).map_err(|e| {
        let what = format!("the table cannot be read: {e}");
        reader.error(None, None, &what, "check the path, and save it as UTF-8")
    })?;
    reader.soundings(&text)
}

struct Reader<'a> {
    name: String,
    folder: &'a Path,
}

impl Reader<'_> {
    fn error(
        &self,
        line: Option<u64>,
        column: Option<&'static str>,
        what: &str,
        remedy: &'static str,
    ) -> TableError {
        TableError {
            table: self.name.clone(),
            line,
            column,
            what: what.to_owned(),
            remedy,
        }
    }

    fn soundings(&self, text: &str) -> Result<Vec<TableSounding>, TableError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let head = text.lines().next().unwrap_or("");
        let delimiter = if head.contains(',') { b',' } else { b';' };
        let mut csv = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .trim(csv::Trim::All)
            .from_reader(text.as_bytes());
        let columns = self.columns(csv.headers())?;
        let mut rows = Vec::new();
        let mut seen = BTreeMap::new();
        for record in csv.records() {
            let record = record.map_err(|e| self.csv_error(&e))?;
            let row = self.row(&columns, &record)?;
            let place = row.path.canonicalize().unwrap_or_else(|_| row.path.clone());
            if let Some(first) = seen.insert(place, row.line) {
                let what = format!("the same file stands in line {first}");
                let remedy = "name each file once";
                return Err(self.error(Some(row.line), Some("file"), &what, remedy));
            }
            rows.push(row);
        }
        if rows.is_empty() {
            return Err(self.error(None, None, "it has no rows", "write one row a file"));
        }
        self.grouped(rows)
    }

    fn csv_error(&self, error: &csv::Error) -> TableError {
        let line = error.position().map(csv::Position::line);
        let what = match error.kind() {
            csv::ErrorKind::UnequalLengths {
                expected_len, len, ..
            } => format!("it has {len} fields, and the first line names {expected_len} columns"),
            _ => format!("it cannot be read: {error}"),
        };
        self.error(line, None, &what, "put names with commas in double quotes")
    }

    /// Where each known column stands.
    fn columns(
        &self,
        head: csv::Result<&csv::StringRecord>,
    ) -> Result<[Option<usize>; COLUMNS.len()], TableError> {
        let head = head.map_err(|e| self.csv_error(&e))?;
        let mut places = [None; COLUMNS.len()];
        for (k, name) in head.iter().enumerate() {
            // A column that is not known may be a misspelt one, and with it a heard thud be lost.
            let Some(known) = COLUMNS.iter().position(|c| c.eq_ignore_ascii_case(name)) else {
                let what = format!("there is no column \"{}\"", name.escape_debug());
                let remedy = "name the columns file, wheel, session, spot_deg, heard";
                return Err(self.error(Some(1), None, &what, remedy));
            };
            if places[known].replace(k).is_some() {
                let remedy = "name each column once";
                return Err(self.error(Some(1), Some(COLUMNS[known]), "it stands twice", remedy));
            }
        }
        for known in 0..2 {
            if places[known].is_none() {
                let remedy = "the first line must name the columns file and wheel";
                return Err(self.error(Some(1), Some(COLUMNS[known]), "it is missing", remedy));
            }
        }
        Ok(places)
    }

    fn row(
        &self,
        columns: &[Option<usize>; COLUMNS.len()],
        record: &csv::StringRecord,
    ) -> Result<Row, TableError> {
        let line = record.position().map_or(0, csv::Position::line);
        let field = |known: usize| columns[known].and_then(|k| record.get(k)).unwrap_or("");
        let wrong = |known: usize, what: &str, remedy| {
            Err(self.error(Some(line), Some(COLUMNS[known]), what, remedy))
        };
        let file = field(0);
        if file.is_empty() {
            return wrong(
                0,
                "no file is named",
                "name a recording, or take the line out",
            );
        }
        let path = self.folder.join(file);
        if !path.is_file() {
            let what = format!("there is no file {}", path.display());
            return wrong(
                0,
                &what,
                "check the path: it is taken from the table's folder",
            );
        }
        let wheel = field(1);
        if let Err(bad) = check_id(wheel) {
            return wrong(1, &bad.to_string(), "write the id of the wheel");
        }
        let spot = field(3);
        let spot_deg = match spot.parse::<f64>() {
            _ if spot.is_empty() => None,
            Ok(deg) if deg.is_finite() && (-360.0..=360.0).contains(&deg) => Some(deg),
            _ => {
                let what = format!("\"{}\" is no angle", spot.escape_debug());
                let remedy = "write degrees from the wheel's mark, -360 to 360";
                return wrong(3, &what, remedy);
            }
        };
        let mut heard = Vec::new();
        for word in field(4).split_whitespace() {
            let all = [Heard::Ring, Heard::Thud, Heard::Unsure];
            match all
                .into_iter()
                .find(|h| h.word().eq_ignore_ascii_case(word))
            {
                Some(known) => heard.push(known),
                None => {
                    let what = format!("\"{}\" is not known", word.escape_debug());
                    return wrong(4, &what, "write ring, thud or unsure, or leave it empty");
                }
            }
        }
        let temp = field(5);
        let temp_c = match temp.parse::<f64>() {
            _ if temp.is_empty() => None,
            Ok(c) if (-40.0..=80.0).contains(&c) => Some(c),
            _ => {
                let what = format!("\"{}\" is no temperature of a wheel", temp.escape_debug());
                return wrong(5, &what, "write degrees Celsius, -40 to 80");
            }
        };
        Ok(Row {
            line,
            path,
            wheel: wheel.to_owned(),
            session: field(2).to_owned(),
            spot_deg,
            heard,
            temp_c,
        })
    }

    fn grouped(&self, rows: Vec<Row>) -> Result<Vec<TableSounding>, TableError> {
        let mut groups: Vec<Vec<Row>> = Vec::new();
        let mut places = BTreeMap::new();
        for row in rows {
            let key = (row.wheel.to_lowercase(), row.session.clone());
            let place = *places.entry(key).or_insert(groups.len());
            if place == groups.len() {
                groups.push(Vec::new());
            }
            groups[place].push(row);
        }
        groups.into_iter().map(|g| self.sounding(g)).collect()
    }

    fn sounding(&self, mut rows: Vec<Row>) -> Result<TableSounding, TableError> {
        let asked = rows.iter().any(|r| !r.heard.is_empty());
        if let Some(row) = rows.iter().find(|r| asked && r.heard.is_empty()) {
            // Words would slide on to other taps.
            let what = "it is empty, though other files of this sounding have it";
            let remedy = "write what the ear heard of each file of the sounding, or of none";
            return Err(self.error(Some(row.line), Some("heard"), what, remedy));
        }
        // As it was written first, before the rows are put in order.
        let (wheel, session) = (rows[0].wheel.clone(), rows[0].session.clone());
        let turned = |r: &Row| r.spot_deg.map(|d| d.rem_euclid(360.0));
        if rows.iter().all(|r| r.spot_deg.is_some()) {
            rows.sort_by(|a, b| {
                turned(a)
                    .partial_cmp(&turned(b))
                    .unwrap_or(std::cmp::Ordering::Equal)
            });
        }
        Ok(TableSounding {
            wheel,
            session,
            temp_c: rows.iter().find_map(|r| r.temp_c),
            spots_deg: rows.iter().map(turned).collect(),
            heard: rows.iter().flat_map(|r| r.heard.clone()).collect(),
            inputs: rows.into_iter().map(|r| Input::Path(r.path)).collect(),
        })
    }
}
