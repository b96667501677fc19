//! Output of the screw against its speed, as a profile states it.

/// Output against screw speed.
#[derive(Clone, Debug, PartialEq)]
pub enum Output {
    /// The same volume with every turn, mm³/rev.
    Constant(f64),
    /// Points (rev/min, mm³/s), rising in both; a straight line between, from the origin.
    Curve(Vec<[f64; 2]>),
}

impl Output {
    /// Least and most that a turn gives, mm³/rev: of a curve, by how fast the screw turns.
    pub fn per_turn_range_mm3(&self) -> [f64; 2] {
        match self {
            Self::Constant(mm3_rev) => [*mm3_rev; 2],
            Self::Curve(points) => {
                let turns = points.iter().filter(|[rpm, _]| *rpm > 0.0).map(|point| per_turn(*point));
                let [least, most] =
                    turns.fold([f64::INFINITY, 0.0], |[least, most], one| [least.min(one), most.max(one)]);
                if least <= most { [least, most] } else { [0.0; 2] }
            }
        }
    }

    /// What a turn gives at a screw speed, mm³/rev. `rpm`: rev/min; below the first point of a curve its output is taken, beyond
    /// the last one that of the last.
    pub fn per_turn_at_mm3(&self, rpm: f64) -> f64 {
        let Self::Curve(points) = self else { return self.per_turn_mm3() };
        let mut before: Option<[f64; 2]> = None;
        for &point in points {
            if rpm <= point[0] {
                let Some(before) = before.filter(|before| before[0] < point[0]) else { return per_turn(point) };
                let share = (rpm - before[0]) / (point[0] - before[0]);
                return per_turn([rpm, before[1] + share * (point[1] - before[1])]);
            }
            before = Some(point);
        }
        before.map_or(0.0, per_turn)
    }

    /// What a turn gives, mm³/rev; of a curve, at its fastest point.
    pub fn per_turn_mm3(&self) -> f64 {
        match self {
            Self::Constant(mm3_rev) => *mm3_rev,
            Self::Curve(points) => points.last().map_or(0.0, |point| per_turn(*point)),
        }
    }
}

/// What a turn gives at a point (rev/min, mm³/s) of a curve, mm³/rev.
fn per_turn([rpm, flow]: [f64; 2]) -> f64 {
    if rpm > 0.0 { flow * 60.0 / rpm } else { 0.0 }
}
