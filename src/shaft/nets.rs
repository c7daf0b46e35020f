//! The two sets of nets, built in.

use super::{WeightsError, model, net, strip};
use std::sync::LazyLock;

/// One set of nets with their weights and the fitted model.
#[doc(hidden)]
pub struct Nets {
    pub(super) map: net::MapNet,
    pub(super) strips: [net::StripNet; 2],
    pub(super) model: model::Model,
}

impl Nets {
    /// From the contents of their files.
    ///
    /// # Errors
    /// When one is damaged or holds another net.
    pub fn new(map: &[u8], strips: [&[u8]; 2], model: &str) -> Result<Self, WeightsError> {
        let strip = |bytes| net::StripNet::from_bytes(bytes, strip::PLANES, strip::OUTPUTS);
        Ok(Self {
            map: net::MapNet::from_bytes(map)?,
            strips: [strip(strips[0])?, strip(strips[1])?],
            model: model::Model::parse(model)?,
        })
    }
}

/// Both sets of nets. The rendered set was fitted on rendered and drawn photos and finds shafts like those to a fraction of a millimetre. The
/// real set was fitted on from it, on real photographs besides: it recognises more kinds of shafts, less exactly.
#[doc(hidden)]
pub struct NetSets {
    /// Asked first.
    pub(super) rendered: Nets,
    /// Asked where the rendered set hardly recognises what it finds. Unpacked only then: that takes longer than decoding a small photo.
    real: LazyLock<Result<Nets, WeightsError>, Unpack>,
}

type Unpack = Box<dyn FnOnce() -> Result<Nets, WeightsError> + Send>;

impl NetSets {
    /// From the two sets.
    #[must_use]
    pub fn new(rendered: Nets, real: Nets) -> Self {
        Self {
            rendered,
            real: LazyLock::new(Box::new(|| Ok(real))),
        }
    }

    /// The real set.
    ///
    /// # Errors
    /// When its weights are damaged.
    pub(super) fn real(&self) -> Result<&Nets, WeightsError> {
        self.real.as_ref().map_err(Clone::clone)
    }

    /// The sets built in.
    ///
    /// # Errors
    /// When the rendered set's weights are damaged.
    pub fn built_in() -> Result<&'static Self, WeightsError> {
        NETS.as_ref().map_err(Clone::clone)
    }
}

pub(super) const MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/map.bin");
pub(super) const STRIP_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("../../calibration/shaft-net/strip-1.bin"),
    include_bytes!("../../calibration/shaft-net/strip-2.bin"),
];
const REAL_MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/real/map.bin");
const REAL_STRIP_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("../../calibration/shaft-net/real/strip-1.bin"),
    include_bytes!("../../calibration/shaft-net/real/strip-2.bin"),
];

static NETS: LazyLock<Result<NetSets, WeightsError>> = LazyLock::new(|| {
    let rendered = include_str!("../../calibration/shaft-net/model.json");
    let real = include_str!("../../calibration/shaft-net/real/model.json");
    Ok(NetSets {
        rendered: Nets::new(MAP_WEIGHTS, STRIP_WEIGHTS, rendered)?,
        real: LazyLock::new(Box::new(|| {
            Nets::new(REAL_MAP_WEIGHTS, REAL_STRIP_WEIGHTS, real)
        })),
    })
});
