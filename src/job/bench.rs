//! From a bench to a link that may be clocked, with the interlocks on the way.

use std::path::PathBuf;

use super::Stop;
use crate::chip::Bare;
use crate::interlock::{Acceptances, Attestation, MarkingSays, Panel};
use crate::jedec::{Hertz, Millivolts};
use crate::link::{Link, LinkError, Purpose, Sent, Trace};
use crate::part::Catalogue;

/// SCK where none is asked for: what a short clip ribbon carries (common practice, no source).
pub const SCK_DEFAULT: Hertz = Hertz::mhz(10);

/// In place of an SCK, for [`contact`](super::contact()): as high as wires, link and part allow.
pub const SCK_FREE: Hertz = Hertz(u32::MAX);

/// The way to a chip.
pub enum Way {
    /// A spidev node, with feature `linux` on Linux; elsewhere a job with it ends in a link fault, with nothing sent.
    Node {
        /// Path of the node.
        path: PathBuf,
        /// Whether a person named it.
        chosen: bool,
        /// How many lanes a person says are wired: 1, 2 or 4.
        lanes: u8,
    },
    /// A link that is already this process's own: a mock, an emulator, another controller.
    Link(Box<dyn Link>),
}

impl Way {
    /// What the link is called, as [`Link::name`] says once it is open.
    #[must_use]
    pub fn name(&self) -> String {
        match self {
            Self::Node { path, .. } => path.display().to_string(),
            Self::Link(link) => link.name().to_owned(),
        }
    }
}

/// What a command is given to reach a chip.
pub struct Bench {
    /// The way to it.
    pub way: Way,
    /// Level that a person declares for the link; it counts before the one that a link declares of itself.
    pub level: Option<Millivolts>,
    /// Highest SCK to use; each read goes within the part's limit for its command too.
    pub sck: Hertz,
    /// What a person said about the bench.
    pub said: Attestation,
    /// What was accepted by name.
    pub accepted: Acceptances,
    /// The parts table.
    pub catalogue: Catalogue,
    /// Size in bytes of a chip that neither table nor SFDP knows; not used for any other.
    pub size_bytes: Option<u32>,
    /// Is told of every frame on the wire.
    pub trace: Option<Box<dyn FnMut(Sent) + Send>>,
}

impl Bench {
    /// A bench at [`SCK_DEFAULT`] of which nothing is said and nothing accepted. Most jobs are held until
    /// [`Bench::said`] has the power arrangement and the marking.
    #[must_use]
    pub fn new(way: Way, catalogue: Catalogue) -> Self {
        Self {
            way,
            level: None,
            sck: SCK_DEFAULT,
            said: Attestation::default(),
            accepted: Acceptances::default(),
            catalogue,
            size_bytes: None,
            trace: None,
        }
    }
}

/// A link that may be clocked, with whatever is on the clip not yet met.
pub(super) struct Reached {
    pub(super) bare: Bare,
    pub(super) panel: Panel,
    pub(super) level: Option<Millivolts>,
    pub(super) said: Attestation,
    pub(super) catalogue: Catalogue,
    pub(super) size_bytes: Option<u32>,
}

/// Opens the link: the interlocks before the first clock. Nothing is clocked.
///
/// # Errors
/// A [`Stop`]: held by an interlock, or a link fault.
pub(super) fn reach(mut panel: Panel, bench: Bench, purpose: Purpose) -> Result<Reached, Stop> {
    let Bench {
        way,
        level,
        sck,
        said,
        catalogue,
        size_bytes,
        trace,
        ..
    } = bench;
    let (link, level) = before_first_clock(&mut panel, way, level, &said, &catalogue, purpose)?;
    let bare = Bare::new(traced(link, trace), purpose, sck);
    if sck < bare.sck_min() {
        return Err(too_slow(sck, &bare));
    }
    if purpose == Purpose::Write && bare.sck().0 / 2 < bare.sck_min().0 {
        return Err(no_half(&bare));
    }
    Ok(Reached {
        bare,
        panel,
        level,
        said,
        catalogue,
        size_bytes,
    })
}

/// Modifying frames go at half the clock that contact has proven, which this link cannot make.
fn no_half(bare: &Bare) -> Stop {
    let (link, sck, least) = (bare.link_name(), bare.sck(), bare.sck_min());
    Stop::new(
        super::Exit::Usage,
        format!("{link} has no half of {sck} to write at."),
        "Give an SCK of at least twice the lowest that the link makes, or a link that makes lower ones.",
    )
    .row("seen", format!("it makes {least} and more"))
    .row("means", "what changes the chip goes at half the clock that reads have proven; nothing was sent")
}

/// Nothing makes a clock that slow, and a link would run another one.
fn too_slow(asked: Hertz, bare: &Bare) -> Stop {
    let (link, least) = (bare.link_name(), bare.sck_min());
    let next = format!("Give --sck {} or more.", least.to_string().replace(' ', ""));
    Stop::new(
        super::Exit::Usage,
        format!("SCK cannot be {asked} here."),
        next,
    )
    .row("seen", format!("{link} makes {least} and more"))
    .row("means", "nothing was sent")
}

/// The link, and whoever is told of each frame on it.
fn traced(link: Box<dyn Link>, trace: Option<Box<dyn FnMut(Sent) + Send>>) -> Box<dyn Link> {
    match trace {
        Some(tell) => Box::new(Trace::new(link, tell)),
        None => link,
    }
}

/// The four interlocks before the first clock. Opening a node clocks nothing.
fn before_first_clock(
    panel: &mut Panel,
    way: Way,
    level: Option<Millivolts>,
    said: &Attestation,
    catalogue: &Catalogue,
    purpose: Purpose,
) -> Result<(Box<dyn Link>, Option<Millivolts>), Stop> {
    let mut link = open(panel, way, level, purpose)?;
    let level = level.or_else(|| link.as_ref().and_then(|link| link.level()));
    panel.bench_attested(said, level);
    let marking = said.marking.as_deref();
    let refused = |text| Some((catalogue.refused_by_marking(text)?, text));
    if let Some((refused, text)) = marking.and_then(refused) {
        panel.not_driven(refused, format!("marking '{text}'"));
    } else {
        let says = marking.and_then(|text| marking_says(catalogue, text));
        panel.supply_level(level, marking, says.as_ref(), said.supply);
    }
    // A read does no harm on a supply that dips, and is judged by what it reads.
    let writes = link.as_mut().filter(|_| purpose == Purpose::Write);
    if let Some(dip) = writes.and_then(|link| link.under_voltage()) {
        panel.host_under_voltage(dip);
    }
    match link {
        Some(link) if !panel.is_held() => Ok((link, level)),
        _ => Err(Stop::held(panel)),
    }
}

/// What the table makes of a marking.
pub(super) fn marking_says(catalogue: &Catalogue, text: &str) -> Option<MarkingSays> {
    let marking = catalogue.by_marking(text)?;
    let candidates = marking.names().into_iter().map(str::to_owned).collect();
    let supply = Some(marking.supply()).filter(|range| !range.is_empty() && range.is_known());
    Some(MarkingSays { candidates, supply })
}

fn open(
    panel: &mut Panel,
    way: Way,
    level: Option<Millivolts>,
    purpose: Purpose,
) -> Result<Option<Box<dyn Link>>, Stop> {
    match way {
        Way::Link(link) => {
            panel.sole_user(None);
            let own = format!("{} belongs to this process", link.name());
            panel.not_the_host(
                &crate::link::HostFlash::No(own),
                true,
                purpose == Purpose::Write,
            );
            Ok(Some(link))
        }
        Way::Node {
            path,
            chosen,
            lanes,
        } => open_node(panel, (&path, chosen), (level, lanes), purpose),
    }
}

#[cfg(all(feature = "linux", target_os = "linux"))]
fn open_node(
    panel: &mut Panel,
    (path, chosen): (&std::path::Path, bool),
    (level, lanes): (Option<Millivolts>, u8),
    purpose: Purpose,
) -> Result<Option<Box<dyn Link>>, Stop> {
    use crate::link::{Node, SpidevLink};
    let missing = |source| LinkError::Node {
        action: "open",
        node: path.display().to_string(),
        source,
    };
    let node = Node::look(path).map_err(missing)?;
    panel.not_the_host(&node.host_flash, chosen, purpose == Purpose::Write);
    if panel.is_held() {
        return Ok(None);
    }
    match SpidevLink::open(path, level, lanes) {
        Ok(link) => {
            panel.sole_user(None);
            Ok(Some(Box::new(link)))
        }
        Err(LinkError::InUse { node }) => {
            panel.sole_user(Some(&node));
            Ok(None)
        }
        Err(error) => Err(error.into()),
    }
}

#[cfg(not(all(feature = "linux", target_os = "linux")))]
fn open_node(
    _panel: &mut Panel,
    (path, _): (&std::path::Path, bool),
    _wired: (Option<Millivolts>, u8),
    _purpose: Purpose,
) -> Result<Option<Box<dyn Link>>, Stop> {
    let source = std::io::Error::new(
        std::io::ErrorKind::Unsupported,
        "links over spidev want Linux, and norlock's feature `linux`",
    );
    Err(LinkError::Node {
        action: "open",
        node: path.display().to_string(),
        source,
    }
    .into())
}
