//! Reading an exported file back: the table or network in it, and whether it is still what was exported.

use lowgear_onboard::{Feature, NetworkInput, NetworkLayer};

use super::decider::Decider;
use super::source::{Format, checksum, comment};
use super::template::plain;
use super::words::FILE_HASH;
use lowgear_agents::integer_network::{IntegerNetwork, NETWORK_FORMAT, NetworkFault, form_by_name};
use lowgear_agents::table::{LookupTable, Provenance, TABLE_FORMAT, TableAxis, TableFault};

/// In the head of a network alone.
const NETWORK_HASH: &str = "network hash:";
/// Markers of inputs and layers.
const INPUT: &str = "data: input ";
const LAYER: &str = "data: layer ";
/// No exported file is longer.
const MOST_BYTES: usize = 16 << 20;

/// What decides in an exported file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ExportedPolicy {
    /// A lookup table.
    Table(LookupTable),
    /// An integer network.
    Network(IntegerNetwork),
}

impl ExportedPolicy {
    /// The same, borrowed.
    #[must_use]
    pub fn decider(&self) -> Decider<'_> {
        match self {
            ExportedPolicy::Table(table) => table.into(),
            ExportedPolicy::Network(network) => network.into(),
        }
    }
}

/// What an exported file holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exported {
    /// The format it is written in.
    pub format: Format,
    /// What decides in it.
    pub policy: ExportedPolicy,
    /// Gears of the vehicle it was made for.
    pub gears: u8,
    /// Hash of the controller's settings; see [`super::settings_hash`].
    pub settings: String,
}

impl Exported {
    /// Whether it was made for the vehicle of this name, which stands in its head without signs that could end a comment.
    #[must_use]
    pub fn is_for(&self, vehicle: &str) -> bool {
        self.policy.decider().provenance().vehicle == plain(vehicle)
    }
}

/// Why a file was refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ReadError {
    /// The end of the name is none that an export has.
    #[error("`.{0}` is not the end of an exported file's name: .h, .rs, .py or .csv")]
    Extension(String),
    /// A line of the head is not there.
    #[error("no line `{0}` in its head: not an exported file, or cut short")]
    Missing(&'static str),
    /// Written by another version.
    #[error("export format {found}; this version reads {read}: export the policy again")]
    Version {
        /// The number in the file.
        found: String,
        /// The number that this version reads.
        read: u32,
    },
    /// Changed, cut short or damaged since it was exported.
    #[error("changed or damaged since it was exported: its text has hash {found}, its head says {claimed}")]
    Changed {
        /// Hash of the text.
        found: String,
        /// Hash in the head.
        claimed: String,
    },
    /// A part of the data cannot be read.
    #[error("the part `{part}` is not readable: {problem}")]
    Data {
        /// Which one.
        part: &'static str,
        /// What is wrong.
        problem: String,
    },
    /// What was read is no sound table, or not the one that the head names.
    #[error(transparent)]
    Table(#[from] TableFault),
    /// What was read is no sound network, or not the one that the head names.
    #[error(transparent)]
    Network(#[from] NetworkFault),
}

fn data(part: &'static str, problem: impl Into<String>) -> ReadError {
    ReadError::Data { part, problem: problem.into() }
}

/// Reads the text of an exported file whose name ends in `extension`.
///
/// # Errors
/// [`ReadError`] for anything foreign, newer, cut short or changed.
pub fn read_export(text: &str, extension: &str) -> Result<Exported, ReadError> {
    let format = Format::ALL
        .into_iter()
        .find(|format| format.extension() == extension)
        .ok_or_else(|| ReadError::Extension(extension.to_owned()))?;
    if text.len() > MOST_BYTES {
        return Err(data("file", "far too long"));
    }
    let claimed = said(text, FILE_HASH)?;
    let version = said(text, "format:")?;
    let is_network = said(text, NETWORK_HASH).is_ok();
    let read = if is_network { NETWORK_FORMAT } else { TABLE_FORMAT };
    if version != read.to_string() {
        return Err(ReadError::Version { found: version, read });
    }
    let found = checksum(text);
    if found != claimed {
        return Err(ReadError::Changed { found, claimed });
    }
    let provenance = Provenance {
        study: said(text, "study:")?,
        vehicle: said(text, "vehicle:")?,
        teacher: said(text, "teacher:")?,
        seed: said(text, "study seed:")?.parse().map_err(|_| data("study seed", "not a number"))?,
        version: said(text, "made by version:")?,
    };
    let gears = said(text, "gears:")?.parse().map_err(|_| data("gears", "not a number"))?;
    let policy = if is_network {
        ExportedPolicy::Network(network(text, format, provenance)?)
    } else {
        ExportedPolicy::Table(table(text, format, provenance)?)
    };
    Ok(Exported { format, policy, gears, settings: said(text, "settings:")? })
}

fn table(text: &str, format: Format, provenance: Provenance) -> Result<LookupTable, ReadError> {
    let features = axes(text)?;
    let (axes, cells) =
        if format == Format::Csv { from_list(text, features)? } else { from_arrays(text, features)? };
    let table = LookupTable::new(axes, cells, provenance)?;
    let (found, claimed) = (table.hash(), said(text, "table hash:")?);
    if found == claimed { Ok(table) } else { Err(TableFault::Hash { found, claimed }.into()) }
}

/// Inputs and layers stand in comments of every format; weights and biases in arrays, or in the list.
fn network(text: &str, format: Format, provenance: Provenance) -> Result<IntegerNetwork, ReadError> {
    let inputs = described(text, INPUT).map(input).collect::<Result<Vec<_>, _>>()?;
    let layers = described(text, LAYER).map(layer).collect::<Result<Vec<_>, _>>()?;
    let (weights, biases) = if format == Format::Csv {
        network_list(text)?
    } else {
        (plus(text, "data: weights")?, plus(text, "data: biases")?)
    };
    let weights =
        weights.into_iter().map(|w| i8::try_from(w).map_err(|_| data(LAYER, "a weight beyond a byte")));
    let biases =
        biases.into_iter().map(|b| i16::try_from(b).map_err(|_| data(LAYER, "a bias beyond 16 bits")));
    let (weights, biases) = (weights.collect::<Result<_, _>>()?, biases.collect::<Result<_, _>>()?);
    let network = IntegerNetwork::new(inputs, layers, weights, biases, provenance)?;
    let (found, claimed) = (network.hash(), said(text, NETWORK_HASH)?);
    if found == claimed { Ok(network) } else { Err(NetworkFault::Hash { found, claimed }.into()) }
}

/// What each line behind `marker` says.
fn described<'t>(text: &'t str, marker: &'static str) -> impl Iterator<Item = &'t str> {
    text.lines().filter_map(move |line| comment(line).strip_prefix(marker))
}

fn input(words: &str) -> Result<NetworkInput, ReadError> {
    let words: Vec<&str> = words.split_whitespace().collect();
    let [feature, form, low, shift] = words[..] else { return Err(data(INPUT, "not four words")) };
    let known = Feature::ALL.into_iter().find(|known| known.name() == feature);
    let unreadable = || data(INPUT, format!("`{feature} {form} {low} {shift}`"));
    Ok(NetworkInput {
        feature: known.ok_or_else(|| NetworkFault::Feature(feature.to_owned()))? as u8,
        form: form_by_name(form).ok_or_else(|| NetworkFault::Form(form.to_owned()))?,
        low: low.parse().map_err(|_| unreadable())?,
        shift: shift.parse().map_err(|_| unreadable())?,
    })
}

fn layer(words: &str) -> Result<NetworkLayer, ReadError> {
    let mut numbers = words.split_whitespace().map(str::parse);
    match (numbers.next(), numbers.next()) {
        (Some(Ok(units)), Some(Ok(shift))) => Ok(NetworkLayer { units, shift }),
        _ => Err(data(LAYER, format!("`{words}`"))),
    }
}

/// The numbers of an array, less what its marker says was added to them.
fn plus(text: &str, marker: &'static str) -> Result<Vec<i64>, ReadError> {
    let head = said(text, marker)?;
    let (_, plus) = head.split_once(" plus ").ok_or_else(|| data(marker, "no word `plus`"))?;
    let plus: i64 =
        plus.trim_end_matches(['*', '/', ' ']).parse().map_err(|_| data(marker, "no number after `plus`"))?;
    Ok(numbers(text, marker)?.into_iter().map(|number| number - plus).collect())
}

/// Weights and biases of the units in the list.
fn network_list(text: &str) -> Result<(Vec<i64>, Vec<i64>), ReadError> {
    let (mut weights, mut biases) = (Vec::new(), Vec::new());
    for row in text.lines().filter_map(|line| line.strip_prefix("unit,")) {
        let numbers = row.split(',').map(|word| word.parse().map_err(|_| data(LAYER, format!("`{word}`"))));
        let numbers: Vec<i64> = numbers.collect::<Result<_, _>>()?;
        biases.extend(numbers.first());
        weights.extend(numbers.iter().skip(1));
    }
    Ok((weights, biases))
}

/// What stands behind `key` in the head.
fn said(text: &str, key: &'static str) -> Result<String, ReadError> {
    let line = text.lines().find_map(|line| comment(line).strip_prefix(key));
    line.map(|rest| rest.trim().to_owned()).ok_or(ReadError::Missing(key))
}

fn axes(text: &str) -> Result<Vec<Feature>, ReadError> {
    let named = said(text, "data: axes")?;
    let known = |name: &str| Feature::ALL.into_iter().find(|feature| feature.name() == name);
    named
        .split_whitespace()
        .map(|name| known(name).ok_or_else(|| TableFault::Feature(name.to_owned()).into()))
        .collect()
}

/// The numbers between the `=` after `marker` and the line that closes the list.
fn numbers(text: &str, marker: &'static str) -> Result<Vec<i64>, ReadError> {
    let after = text.lines().skip_while(|line| !comment(line).starts_with(marker));
    let body = after.skip_while(|line| !line.contains(" = ")).skip(1);
    let body = body.take_while(|line| !line.starts_with(['}', ']', ')']));
    let mut values = Vec::new();
    for line in body {
        let bytes = line.contains("\\x");
        for word in line.split([',', ' ', 'u', '[', ']', '(', ')', '&', '"', '\\']).filter(|w| !w.is_empty())
        {
            let value = match word.strip_prefix('x') {
                Some(digits) => i64::from_str_radix(digits, 16).ok(),
                None if bytes && word == "b" => continue,
                None => word.parse().ok(),
            };
            values.push(value.ok_or_else(|| data(marker, format!("`{word}` is not a number")))?);
        }
    }
    Ok(values)
}

/// From the arrays of C, Rust and Python.
fn from_arrays(text: &str, features: Vec<Feature>) -> Result<(Vec<TableAxis>, Vec<u8>), ReadError> {
    const EDGES: &str = "data: edges";
    let head = said(text, EDGES)?;
    let (counts, plus) = head.split_once(" plus ").ok_or_else(|| data(EDGES, "no word `plus`"))?;
    let plus: i64 =
        plus.trim_end_matches(['*', '/', ' ']).parse().map_err(|_| data(EDGES, "no number after `plus`"))?;
    let counts: Vec<usize> = counts.split_whitespace().map_while(|word| word.parse().ok()).collect();
    if counts.len() != features.len() {
        return Err(data(EDGES, format!("{} counts for {} axes", counts.len(), features.len())));
    }
    let mut edges = numbers(text, EDGES)?.into_iter();
    let mut axes = Vec::new();
    for (feature, count) in features.into_iter().zip(counts) {
        let edges = edges.by_ref().take(count).map(|edge| i16::try_from(edge - plus));
        let edges: Vec<i16> =
            edges.collect::<Result<_, _>>().map_err(|_| data(EDGES, "an edge beyond 16 bits"))?;
        if edges.len() != count {
            return Err(data(EDGES, "fewer edges than announced"));
        }
        axes.push(TableAxis { feature, edges });
    }
    let cells = numbers(text, "data: cells")?.into_iter().map(u8::try_from);
    let cells = cells.collect::<Result<_, _>>().map_err(|_| data("data: cells", "a cell beyond a byte"))?;
    Ok((axes, cells))
}

/// From the list of cells: the lower bounds of the bins are the edges.
fn from_list(text: &str, features: Vec<Feature>) -> Result<(Vec<TableAxis>, Vec<u8>), ReadError> {
    const ROWS: &str = "rows";
    let mut edges: Vec<Vec<i16>> = vec![Vec::new(); features.len()];
    let mut cells: Vec<u8> = Vec::new();
    let rows = text.lines().filter(|line| !line.starts_with('#')).skip(1);
    for (i, row) in rows.enumerate() {
        let fields: Vec<&str> = row.split(',').collect();
        if fields.len() != 2 * features.len() + 2 || fields[0] != i.to_string() {
            return Err(data(ROWS, format!("row {i} is not in its place or has another number of fields")));
        }
        for (axis, from) in
            edges.iter_mut().zip(fields[1..].iter().step_by(2)).filter(|pair| !pair.1.is_empty())
        {
            let edge = from.parse().map_err(|_| data(ROWS, format!("row {i}: `{from}` is not an edge")))?;
            if let Err(place) = axis.binary_search(&edge) {
                axis.insert(place, edge);
            }
        }
        let code: u8 = match fields[fields.len() - 1] {
            "down" => 0,
            "hold" => 1,
            "up" => 2,
            other => return Err(data(ROWS, format!("row {i}: `{other}` is not a decision"))),
        };
        if i % 4 == 0 {
            cells.push(0);
        }
        if let Some(last) = cells.last_mut() {
            *last |= code << (2 * (i % 4));
        }
    }
    let axes = features.into_iter().zip(edges).map(|(feature, edges)| TableAxis { feature, edges }).collect();
    Ok((axes, cells))
}
