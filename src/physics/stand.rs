//! The islands of a part, followed from layer to layer as columns that split and grow together.

use super::column::{Column, Lump, Shape, Slice, Solid};
use super::range::{OutOfRange, above_zero};

/// Most forks below one tip. At one more, the tip gets a copy of all that stands under it as a trunk of its own.
pub const MOST_FORKS: usize = 16;

/// One connected area of a layer, and what it stands on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Footing<'a> {
    /// Its own height, mm, where that is not the height of the layer.
    pub height_mm: Option<f64>,
    /// Area of what is laid, mm².
    pub area_mm2: f64,
    /// Integral of x² over the area about its centroid, mm⁴: it resists sway along x.
    pub second_moment_x_mm4: f64,
    /// Integral of y² over the area about its centroid, mm⁴: it resists sway along y.
    pub second_moment_y_mm4: f64,
    /// Shear factor, above 0 to 1; see [`shear_factor_of_rectangle`](super::column::shear_factor_of_rectangle).
    pub shear_factor: f64,
    /// Places of the islands it stands on in the list of the layer below. Places that are not in the list are passed
    /// over. Empty: on the bed in the first layer; above it, on the island that sways most (see [`Stand`]).
    pub on: &'a [u32],
    /// Whether something is laid. If not, the island it stands on, one of the layer below, stays the end of its column as
    /// it is: others may build on it later. Area, moments and shear factor do not count then.
    pub is_laid: bool,
}

/// How an island answers to the motion of its base and to a push at its tip.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Response {
    /// Along x.
    pub x: Sway,
    /// Along y.
    pub y: Sway,
    /// Mass of all that moves with the foot of this island, other branches included, g.
    pub mass_g: f64,
    /// Height of the tip above the bed, mm.
    pub height_mm: f64,
}

/// The answer along one direction.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sway {
    /// Deflection of the tip per acceleration of the bed, slowly applied, mm per mm/s².
    pub per_accel: f64,
    /// Deflection of the tip per lateral force at the tip, mm/N.
    pub give_mm_per_n: f64,
    /// Lowest frequency, from above, Hz.
    pub frequency_hz: f64,
}

/// A stretch of the part without a fork: an island with a free tip, or a trunk that others stand on.
#[derive(Clone, Debug)]
struct Limb {
    /// Along x and along y, clamped at its foot: at the bed or at the tip of the trunk.
    columns: [Column; 2],
    trunk: Option<usize>,
    /// For a trunk: limbs that stand on it and are still followed.
    branches: usize,
    /// For a trunk: what was laid above its tip, heights from there.
    above: Lump,
}

impl Limb {
    const fn bare(trunk: Option<usize>) -> Self {
        let above = Lump { mass: 0.0, first: 0.0, second: 0.0 };
        Self { columns: [Column::clamped(); 2], trunk, branches: 0, above }
    }

    fn height(&self) -> f64 {
        self.columns[0].height_mm()
    }

    /// All that stands from its foot up, heights from its foot.
    fn lump(&self) -> Lump {
        self.columns[0].lump().plus(self.above.lifted(self.height()))
    }

    /// Its columns with whatever else its tip carries, as a rigid body.
    fn loaded(&self, rest: Lump) -> [Column; 2] {
        self.columns.map(|mut column| {
            column.carry(rest);
            column
        })
    }
}

/// Everything that stands on the bed so far.
///
/// One island on one: the column grows. One on several: their columns are tied together at the tips and go on as one
/// ([`Column::join`]). Several on one: a fork; what stands below is their common trunk, and what is laid on one branch
/// also loads the trunk under the others. So a tip moves by its own column, and by deflection and turn of each trunk
/// below, carried up as by a rigid body. Where one branch of a fork is left, trunk and branch become one column again,
/// with the rest as a load on the fork.
///
/// | event                                  | what is done                                                              |
/// |----------------------------------------|---------------------------------------------------------------------------|
/// | an island nobody builds on             | it stays as mass on what it stands on                                     |
/// | branches of a fork grow together       | joined above their common trunk, which counts once                        |
/// | islands of different trunks join       | each with a copy of its trunks down to the common one, loads as they are  |
/// | more than [`MOST_FORKS`] forks         | a copy of all below, loads as they are, becomes the trunk                 |
/// | an island on nothing above the bed     | stands on the island of the layer below that sways most: it cannot be stiffer than what holds it, and to take it for clamped would set no limit at all |
///
/// A copy does not feel what is laid later on other branches of what it was copied from, nor they what is laid on it.
///
/// # Assumes
/// As [`Column`], and that branches move with their fork in the quotient of Rayleigh for another tip.
///
/// # Accuracy
/// Static answers are exact for the model, but for joins and copies. The frequency is an upper bound, 11 % too high for
/// a trunk with two unlike arms beside finite elements; [`Limit::of`](super::sway::Limit::of) errs to the safe side by
/// that. Each island costs the same at any height, and one
/// more handful of sums for each fork below. Memory: at most two limbs for each island of the last layer.
#[derive(Clone, Debug)]
pub struct Stand {
    solid: Solid,
    limbs: Vec<Limb>,
    free: Vec<usize>,
    /// The limb of each island of the last layer.
    tips: Vec<usize>,
    responses: Vec<Response>,
    /// How many islands stand on each of the last layer.
    branches: Vec<usize>,
}

impl Stand {
    /// An empty bed for a part of this stuff.
    pub const fn new(solid: Solid) -> Self {
        Self {
            solid,
            limbs: Vec::new(),
            free: Vec::new(),
            tips: Vec::new(),
            responses: Vec::new(),
            branches: Vec::new(),
        }
    }

    /// Lays a layer of islands, and says how each of them sways now, in their order.
    ///
    /// A layer without islands changes nothing and has no responses.
    ///
    /// # Errors
    /// When the height or a value of a footing is outside its range; nothing is laid then.
    pub fn layer(&mut self, height_mm: f64, footings: &[Footing<'_>]) -> Result<&[Response], OutOfRange> {
        above_zero("the height of a layer (mm)", height_mm)?;
        if footings.is_empty() {
            return Ok(&[]);
        }
        let mut slices = Vec::with_capacity(footings.len());
        for footing in footings {
            if !footing.is_laid {
                slices.push(None);
                continue;
            }
            let height_mm = footing.height_mm.unwrap_or(height_mm);
            let cut = |moment| Slice::new(height_mm, footing.area_mm2, moment, footing.shear_factor);
            slices.push(Some([cut(footing.second_moment_x_mm4)?, cut(footing.second_moment_y_mm4)?]));
        }
        let stands_on = self.stands_on(footings);
        self.fork(&stands_on);
        let tips: Vec<usize> = stands_on.iter().map(|on| self.foot(on)).collect();
        self.let_go();
        self.tips = tips;
        for (index, pair) in slices.iter().enumerate() {
            if let Some(pair) = pair {
                self.grow(index, pair);
            }
        }
        self.fold();
        self.responses = self.tips.iter().filter_map(|tip| self.response(*tip)).collect();
        Ok(&self.responses)
    }

    /// The islands each footing stands on, each once.
    fn stands_on(&mut self, footings: &[Footing<'_>]) -> Vec<Vec<usize>> {
        let softness = |response: &Response| response.x.per_accel.max(response.y.per_accel);
        let softest = (0..self.responses.len())
            .max_by(|a, b| {
                let of = |index: &usize| self.responses.get(*index).map_or(0.0, softness);
                of(a).total_cmp(&of(b))
            })
            .filter(|_| !self.tips.is_empty());
        let stands_on: Vec<Vec<usize>> = footings
            .iter()
            .map(|footing| {
                let mut on: Vec<usize> =
                    footing.on.iter().map(|place| *place as usize).filter(|place| *place < self.tips.len()).collect();
                on.sort_unstable();
                on.dedup();
                if on.is_empty() {
                    on.extend(softest);
                }
                on
            })
            .collect();
        self.branches = vec![0; self.tips.len()];
        for place in stands_on.iter().flatten() {
            if let Some(count) = self.branches.get_mut(*place) {
                *count += 1;
            }
        }
        stands_on
    }

    /// Makes trunks of the islands that carry several, with a place for each branch.
    fn fork(&mut self, stands_on: &[Vec<usize>]) {
        let mut places: Vec<usize> = stands_on.iter().flatten().copied().collect();
        places.sort_unstable();
        places.dedup();
        for place in places {
            let count = self.branches.get(place).copied().unwrap_or(0);
            let Some(&tip) = self.tips.get(place) else { continue };
            if count < 2 {
                continue;
            }
            if self.trunks(tip).len() >= MOST_FORKS {
                let columns = self.copied(tip, None);
                self.leave(tip);
                if let Some(limb) = self.limbs.get_mut(tip) {
                    *limb = Limb { columns, ..Limb::bare(None) };
                }
            }
            if let Some(limb) = self.limbs.get_mut(tip) {
                limb.branches = count;
            }
        }
    }

    /// The limb a footing goes on with.
    fn foot(&mut self, on: &[usize]) -> usize {
        let places: Vec<(usize, bool)> =
            on.iter().filter_map(|place| Some((*self.tips.get(*place)?, *self.branches.get(*place)? > 1))).collect();
        match places.as_slice() {
            [] => self.add(Limb::bare(None)),
            [(tip, true)] => self.add(Limb::bare(Some(*tip))),
            [(tip, false)] => *tip,
            many => {
                // A place on a fork counts as a branch without height.
                let many: Vec<usize> = many
                    .iter()
                    .map(|(tip, forked)| if *forked { self.add(Limb::bare(Some(*tip))) } else { *tip })
                    .collect();
                self.joined(&many)
            }
        }
    }

    /// Several limbs as one.
    fn joined(&mut self, limbs: &[usize]) -> usize {
        // The highest trunk under all of them.
        let mut common = limbs.first().map(|limb| self.trunks(*limb)).unwrap_or_default();
        for limb in limbs {
            let own = self.trunks(*limb);
            common.retain(|trunk| own.contains(trunk));
        }
        let trunk = common.first().copied();
        let legs: Vec<[Column; 2]> = limbs.iter().map(|limb| self.copied(*limb, trunk)).collect();
        let along = |axis: fn(&[Column; 2]) -> Column| Column::join(&legs.iter().map(axis).collect::<Vec<_>>());
        let columns = [along(|[x, _]| *x), along(|[_, y]| *y)];
        if let Some(limb) = trunk.and_then(|trunk| self.limbs.get_mut(trunk)) {
            limb.branches += 1;
        }
        let joined = self.add(Limb { columns, ..Limb::bare(trunk) });
        for limb in limbs {
            self.remove(*limb);
        }
        joined
    }

    /// Gives up the islands of the last layer that nothing stands on; their mass is in the trunks below.
    fn let_go(&mut self) {
        let gone: Vec<usize> =
            self.tips.iter().zip(&self.branches).filter(|(_, count)| **count == 0).map(|(tip, _)| *tip).collect();
        for tip in gone {
            self.remove(tip);
        }
    }

    /// Lays the slices of an island, and lets the trunks below feel their mass.
    fn grow(&mut self, index: usize, [along_x, along_y]: &[Slice; 2]) {
        let Some(&tip) = self.tips.get(index) else { return };
        let trunks = self.trunks(tip);
        let Some(limb) = self.limbs.get_mut(tip) else { return };
        let base = limb.height();
        let [x, y] = &mut limb.columns;
        x.grow(along_x, &self.solid);
        y.grow(along_y, &self.solid);
        let mut lump = along_x.lump(&self.solid).lifted(base);
        for trunk in trunks {
            if let Some(limb) = self.limbs.get_mut(trunk) {
                limb.above = limb.above.plus(lump);
                lump = lump.lifted(limb.height());
            }
        }
    }

    /// Makes one limb of each trunk and its last branch.
    fn fold(&mut self) {
        for index in 0..self.limbs.len() {
            while let Some(limb) = self.limbs.get(index) {
                let Some(trunk) = limb.trunk else { break };
                let Some(below) = self.limbs.get(trunk).filter(|below| below.branches == 1) else { break };
                let mut columns = below.loaded(below.above.less(limb.lump()));
                for (column, top) in columns.iter_mut().zip(&limb.columns) {
                    column.stack(top);
                }
                let next = below.trunk;
                if let Some(limb) = self.limbs.get_mut(index) {
                    (limb.columns, limb.trunk) = (columns, next);
                }
                self.free.push(trunk);
                self.clear(trunk);
            }
        }
    }

    /// How the tip of a limb answers.
    fn response(&self, tip: usize) -> Option<Response> {
        let mut chain = vec![self.limbs.get(tip)?];
        chain.extend(self.trunks(tip).iter().filter_map(|trunk| self.limbs.get(*trunk)));
        chain.reverse();
        let height: f64 = chain.iter().map(|limb| limb.height()).sum();
        let mass: f64 = chain.first().map_or(0.0, |root| root.lump().mass) * 1e6;
        Some(Response { x: sway(&chain, height, 0), y: sway(&chain, height, 1), mass_g: mass, height_mm: height })
    }

    /// The trunks below a limb, the highest first.
    fn trunks(&self, limb: usize) -> Vec<usize> {
        let below = |limb: &usize| self.limbs.get(*limb).and_then(|limb| limb.trunk);
        std::iter::successors(below(&limb), below).collect()
    }

    /// The columns from a trunk (or the bed) to the tip of a limb, with the loads of other branches as they are.
    fn copied(&self, limb: usize, down_to: Option<usize>) -> [Column; 2] {
        let Some(top) = self.limbs.get(limb) else { return [Column::clamped(); 2] };
        let mut columns = top.columns;
        let mut above = top.lump();
        for trunk in self.trunks(limb).into_iter().take_while(|trunk| Some(*trunk) != down_to) {
            let Some(below) = self.limbs.get(trunk) else { break };
            let mut carried = below.loaded(below.above.less(above));
            for (column, top) in carried.iter_mut().zip(&columns) {
                column.stack(top);
            }
            (columns, above) = (carried, below.lump());
        }
        columns
    }

    fn add(&mut self, limb: Limb) -> usize {
        if let Some(index) = self.free.pop()
            && let Some(place) = self.limbs.get_mut(index)
        {
            *place = limb;
            return index;
        }
        self.limbs.push(limb);
        self.limbs.len() - 1
    }

    /// Takes a limb off the list, and its trunk if that was its last branch.
    fn remove(&mut self, limb: usize) {
        self.leave(limb);
        self.clear(limb);
        self.free.push(limb);
    }

    /// Takes a limb off its trunk.
    fn leave(&mut self, limb: usize) {
        let Some(trunk) = self.limbs.get(limb).and_then(|limb| limb.trunk) else { return };
        let Some(below) = self.limbs.get_mut(trunk) else { return };
        below.branches = below.branches.saturating_sub(1);
        if below.branches == 0 {
            self.remove(trunk);
        }
    }

    fn clear(&mut self, limb: usize) {
        if let Some(limb) = self.limbs.get_mut(limb) {
            *limb = Limb::bare(None);
        }
    }
}

/// The answer of a chain of limbs, from the bed to the tip, along one axis.
fn sway(chain: &[&Limb], height: f64, axis: usize) -> Sway {
    // Deflection and turn of the foot of each limb: under the acceleration, and under a force at the tip.
    let (mut moved, mut pushed) = ([0.0; 2], [0.0; 2]);
    let (mut shape, mut own, mut foot) = (Shape::default(), Shape::default(), 0.0);
    for (index, limb) in chain.iter().enumerate() {
        let Some(column) = limb.columns.get(axis) else { break };
        let h = column.height_mm();
        foot += h;
        let Lump { mass, first, .. } = limb.above;
        let part = column.shape(moved, mass, first);
        let carried = |at: [f64; 2], [tip, turn]: [f64; 2]| [at[0] + at[1] * h + tip, at[1] + turn];
        moved = carried(moved, column.tip(mass, first));
        pushed = carried(pushed, column.bent(1.0, height - foot));
        // Other branches go along with the fork.
        let rest = chain.get(index + 1).map_or(Lump::default(), |next| limb.above.less(next.lump()));
        shape.work += part.work + moved[0] * rest.mass + moved[1] * rest.first;
        shape.square += part.square
            + moved[0] * moved[0] * rest.mass
            + moved[1] * (2.0 * moved[0] * rest.first + moved[1] * rest.second);
        own = column.shape([0.0; 2], 0.0, 0.0);
    }
    // To hold the last fork still is a constraint, so its frequency is an upper bound as well.
    let frequency_hz = shape.frequency().min(own.frequency());
    Sway { per_accel: moved[0], give_mm_per_n: pushed[0], frequency_hz }
}

#[cfg(test)]
mod tests;
