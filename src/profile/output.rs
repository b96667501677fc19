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

    /// Turns of the screw for a mm³ at a flow, rev/mm³: [`per_turn_at_mm3`](Self::per_turn_at_mm3) backward. `flow`: mm³/s;
    /// beyond the last point of a curve its output for a turn is kept, at no flow that of the first point is taken.
    pub fn turns_per_mm3(&self, flow: f64) -> f64 {
        match self {
            Self::Constant(mm3_rev) => 1.0 / mm3_rev,
            Self::Curve(points) => turns_per_mm3(points, flow),
        }
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

fn turns_per_mm3(points: &[[f64; 2]], flow: f64) -> f64 {
    let per = |[rpm, out]: [f64; 2]| if out > 0.0 { rpm / 60.0 / out } else { 0.0 };
    let mut before = [0.0, 0.0];
    for &point in points {
        if flow <= point[1] {
            if flow <= 0.0 || point[1] <= before[1] {
                return per(point);
            }
            let share = (flow - before[1]) / (point[1] - before[1]);
            return per([before[0] + share * (point[0] - before[0]), flow]);
        }
        before = point;
    }
    per(before)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn turns_follow_the_output_curve_backward() {
        // 20 rev/min give 5 mm³/s and 60 give 13. At 9 mm³/s the screw turns at 40: 40/60 rev/s over 9 mm³/s.
        let output = Output::Curve(vec![[20.0, 5.0], [60.0, 13.0]]);
        for (flow, rpm) in [(2.5, 10.0), (5.0, 20.0), (9.0, 40.0), (13.0, 60.0)] {
            assert!((output.per_turn_at_mm3(rpm) * rpm / 60.0 - flow).abs() < 1e-12, "{flow}");
            assert!((output.turns_per_mm3(flow) - rpm / 60.0 / flow).abs() < 1e-12, "{flow}");
        }
        assert!((output.turns_per_mm3(26.0) - 1.0 / 13.0).abs() < 1e-12);
        assert!((output.turns_per_mm3(0.0) - 20.0 / 60.0 / 5.0).abs() < 1e-12);
    }
}
