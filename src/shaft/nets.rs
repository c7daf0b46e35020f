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

/// Both sets of nets. The first knows shafts as they are drawn and rendered, to a fraction of a millimetre; the second was fitted on from it
/// on real photographs and knows more looks, less exactly.
#[doc(hidden)]
pub struct BothNets {
    /// Those asked first.
    pub(super) first: Nets,
    /// Those asked where the first ones hardly recognise what they find: unpacked when they are, which takes longer than decoding a
    /// small photo.
    second: LazyLock<Result<Nets, WeightsError>, Unpack>,
}

type Unpack = Box<dyn FnOnce() -> Result<Nets, WeightsError> + Send>;

impl BothNets {
    /// Those asked first, and the others.
    #[must_use]
    pub fn new(first: Nets, second: Nets) -> Self {
        Self {
            first,
            second: LazyLock::new(Box::new(|| Ok(second))),
        }
    }

    /// Those asked where the first ones hardly recognise what they find.
    ///
    /// # Errors
    /// When they are damaged.
    pub(super) fn second(&self) -> Result<&Nets, WeightsError> {
        self.second.as_ref().map_err(Clone::clone)
    }

    /// Those built in.
    ///
    /// # Errors
    /// When the first ones are damaged.
    pub fn built_in() -> Result<&'static Self, WeightsError> {
        NETS.as_ref().map_err(Clone::clone)
    }
}

pub(super) const MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/map.bin");
pub(super) const STRIP_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("../../calibration/shaft-net/strip-1.bin"),
    include_bytes!("../../calibration/shaft-net/strip-2.bin"),
];
const SECOND_MAP_WEIGHTS: &[u8] = include_bytes!("../../calibration/shaft-net/real/map.bin");
const SECOND_STRIP_WEIGHTS: [&[u8]; 2] = [
    include_bytes!("../../calibration/shaft-net/real/strip-1.bin"),
    include_bytes!("../../calibration/shaft-net/real/strip-2.bin"),
];

static NETS: LazyLock<Result<BothNets, WeightsError>> = LazyLock::new(|| {
    let first = include_str!("../../calibration/shaft-net/model.json");
    let second = include_str!("../../calibration/shaft-net/real/model.json");
    Ok(BothNets {
        first: Nets::new(MAP_WEIGHTS, STRIP_WEIGHTS, first)?,
        second: LazyLock::new(Box::new(|| {
            Nets::new(SECOND_MAP_WEIGHTS, SECOND_STRIP_WEIGHTS, second)
        })),
    })
});
