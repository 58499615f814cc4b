//! Repeatability and reproducibility of a gauge, from a crossed study by the method of analysis of variance (AIAG,
//! Measurement Systems Analysis, 4th ed. 2010, chapter III, section B).

use super::anova::{Crossed, Ratio, Source};

/// The interaction of parts and operators is pooled with repeatability if chance makes as much of it with at least this
/// probability (common practice; the manual's own example pools at p = 0.974).
pub const POOLED_FROM: f64 = 0.25;

/// Variance components of a study, in squared units of its values. A component that comes out negative is set to zero,
/// as the manual does.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gauge {
    /// Readings of one operator on one part.
    pub repeatability: f64,
    /// Between operators.
    pub operator: f64,
    /// Operators that differ on some parts more than on others; zero where pooled.
    pub interaction: f64,
    /// Between parts.
    pub part: f64,
    /// Whether the interaction was no more than chance and pooled with repeatability.
    pub pooled: bool,
    /// The test of the interaction, where it could be made.
    pub test: Option<Ratio>,
    /// Degrees of freedom behind repeatability.
    pub freedom: usize,
}

impl Gauge {
    /// Variance components of a study.
    #[must_use]
    pub fn of(study: &Crossed) -> Self {
        let test = study.interaction.over(study.repeat);
        // Without any scatter between repeats nothing can be tested; an interaction is then no chance.
        let pooled = match test {
            Some(ratio) => ratio.p >= POOLED_FROM,
            None => study.interaction.squares <= 0.0,
        };
        if pooled {
            Self::of_sources(study, study.interaction.and(study.repeat), None, test)
        } else {
            Self::of_sources(study, study.repeat, Some(study.interaction), test)
        }
    }

    /// Variance components with the interaction kept, however small it is.
    #[must_use]
    pub fn with_interaction(study: &Crossed) -> Self {
        Self::of_sources(study, study.repeat, Some(study.interaction), study.interaction.over(study.repeat))
    }

    fn of_sources(study: &Crossed, error: Source, interaction: Option<Source>, test: Option<Ratio>) -> Self {
        let (parts, operators, repeats) = (study.parts as f64, study.operators as f64, study.repeats as f64);
        let error_square = error.mean_square();
        // What operators and parts are compared with: the interaction where it is kept, else repeatability.
        let beneath = interaction.map_or(error_square, Source::mean_square);
        let component = |upper: f64, lower: f64, count: f64| ((upper - lower) / count).max(0.0);
        Self {
            repeatability: error_square,
            operator: component(study.operator.mean_square(), beneath, parts * repeats),
            interaction: interaction.map_or(0.0, |i| component(i.mean_square(), error_square, repeats)),
            part: component(study.part.mean_square(), beneath, operators * repeats),
            pooled: interaction.is_none(),
            test,
            freedom: error.freedom,
        }
    }

    /// Variance between operators, with the interaction.
    #[must_use]
    pub fn reproducibility(&self) -> f64 {
        self.operator + self.interaction
    }

    /// Variance of the gauge: repeatability and reproducibility.
    #[must_use]
    pub fn gauge(&self) -> f64 {
        self.repeatability + self.reproducibility()
    }

    /// Variance of all together.
    #[must_use]
    pub fn total(&self) -> f64 {
        self.gauge() + self.part
    }

    /// Standard deviation of the gauge, in units of the values.
    #[must_use]
    pub fn sigma(&self) -> f64 {
        self.gauge().sqrt()
    }

    /// How many groups of parts the gauge can tell apart: 1.41·σ(part)/σ(gauge) (AIAG), before it is rounded down.
    /// `None` for a gauge without scatter.
    #[must_use]
    pub fn categories(&self) -> Option<f64> {
        (self.gauge() > 0.0).then(|| 1.41 * (self.part / self.gauge()).sqrt())
    }
}

#[cfg(test)]
mod tests {
    use super::{super::anova::crossed, *};

    #[test]
    fn a_gauge_without_scatter_tells_no_categories() {
        let study = crossed(2, 2, 2, &[1.0, 1.0, 1.0, 1.0, 2.0, 2.0, 2.0, 2.0]).unwrap();
        let gauge = Gauge::of(&study);
        assert!(gauge.pooled);
        assert_eq!((gauge.sigma(), gauge.categories(), gauge.part), (0.0, None, 0.5));
    }

    #[test]
    fn an_interaction_is_kept_where_repeats_agree_exactly() {
        let study = crossed(2, 2, 2, &[1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 1.0, 1.0]).unwrap();
        let gauge = Gauge::of(&study);
        assert!(!gauge.pooled);
        assert!(gauge.interaction > 0.0);
    }
}
