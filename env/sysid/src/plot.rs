//! Series to plot, without any drawing: what was measured, what was simulated, and the difference.

/// How a series is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// A full line.
    Line,
    /// A dashed line.
    Dashed,
    /// Points, by the place of the series: rings, crosses, oblique crosses, squares.
    Points,
    /// Steps.
    Steps,
    /// Upright ticks above the plot, each series in a row of its own: instants.
    Instants,
}

/// One series of a panel.
#[derive(Clone, Debug, PartialEq)]
pub struct Series {
    /// Name in the legend.
    pub name: String,
    /// Look.
    pub look: Look,
    /// Points; those that are not finite break a line.
    pub points: Vec<(f64, f64)>,
}

/// One pair of axes with its series.
#[derive(Clone, Debug, PartialEq)]
pub struct Panel {
    /// Title.
    pub title: String,
    /// Name and unit along the bottom.
    pub x_title: String,
    /// Name and unit along the left side.
    pub y_title: String,
    /// Series.
    pub series: Vec<Series>,
    /// Range along the left side; found from the points when left out.
    pub y_range: Option<(f64, f64)>,
    /// Whether only whole numbers stand along the left side.
    pub y_whole: bool,
}

/// Panels that belong together.
#[derive(Clone, Debug, PartialEq)]
pub struct Plot {
    /// Title of the whole.
    pub title: String,
    /// Panels, row by row.
    pub panels: Vec<Panel>,
    /// Panels in a row, 1 to 4.
    pub columns: usize,
}
