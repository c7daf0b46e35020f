//! The flags of `confirm`.

use super::common::SessionArgs;
use clap::Args;
use std::net::Ipv4Addr;
use std::path::PathBuf;

/// `bossmark confirm`.
#[derive(Args, Debug)]
pub struct Confirm {
    /// Photos, records or folders
    #[arg(required = true, value_name = "PHOTO|RECORD|FOLDER")]
    pub inputs: Vec<PathBuf>,
    /// No page: take all entries as they stand
    #[arg(long, conflicts_with = "edits")]
    pub accept: bool,
    /// No page: apply a list of edits (bossmark/edits/1) to the one record
    #[arg(long, value_name = "FILE")]
    pub edits: Option<PathBuf>,
    /// Target face, for a photo that has no record yet
    #[arg(long, value_name = "FACE")]
    pub face: Option<String>,
    /// Lens profile, or a folder of them, for a photo that has no record yet
    #[arg(long, value_name = "FILE|DIR")]
    pub lens: Option<PathBuf>,
    /// Folder of the photos' records [default: beside the photo]; for a record: the file to write instead
    #[arg(short, long, value_name = "DIR|FILE")]
    pub out: Option<PathBuf>,
    /// Without the page: print the records as JSON on stdout as well
    #[arg(long)]
    pub json: bool,
    /// The page's port [default: 4117, or one of the next]
    #[arg(short, long, value_name = "PORT", conflicts_with_all = ["accept", "edits"])]
    pub port: Option<u16>,
    /// Let a phone on the same network in, by a link with a code; ADDRESS: this machine's own
    #[arg(long, value_name = "ADDRESS", num_args = 0..=1, require_equals = true, conflicts_with_all = ["accept", "edits"])]
    pub share: Option<Option<Ipv4Addr>>,
    /// Don't open the browser
    #[arg(long, conflicts_with_all = ["accept", "edits"])]
    pub no_open: bool,
    /// Serve the page's files from this folder instead of those built in
    #[arg(long, value_name = "DIR", hide = true)]
    pub page_files: Option<PathBuf>,
    /// Session.
    #[command(flatten)]
    pub session: SessionArgs,
}
