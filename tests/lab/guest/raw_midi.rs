//! The one thing that a raw MIDI device is asked beyond reading and writing: a
//! buffer that outlasts a reader who does not get a processor for a while.

use std::ffi::{c_int, c_uint, c_ulong};
use std::fs::File;
use std::io::{Error, Result};
use std::os::fd::AsRawFd;

/// Gives an input the largest buffer that the kernel allows, in place of 4 KiB.
/// What has arrived before is dropped, so it is done right after opening.
pub fn widen(input: &File) -> Result<()> {
    let mut parameters = Parameters {
        stream: STREAM_INPUT,
        buffer_size: BUFFER_MAX,
        avail_min: 1,
        flags: 0,
        mode: 0,
        reserved: [0; 12],
    };
    // SAFETY: the descriptor is open for as long as `input` is borrowed, and the request
    // reads and writes exactly the structure that it is given.
    let answer = unsafe { ioctl(input.as_raw_fd(), SET_PARAMETERS, &raw mut parameters) };
    if answer == 0 {
        Ok(())
    } else {
        Err(Error::last_os_error())
    }
}

unsafe extern "C" {
    fn ioctl(descriptor: c_int, request: c_ulong, parameters: *mut Parameters) -> c_int;
}

/// Linux, `include/uapi/sound/asound.h`: `struct snd_rawmidi_params`.
#[repr(C)]
struct Parameters {
    stream: c_int,
    buffer_size: usize,
    avail_min: usize,
    flags: c_uint,
    mode: c_uint,
    reserved: [u8; 12],
}

/// The same file: `SNDRV_RAWMIDI_IOCTL_PARAMS`, which is `_IOWR('W', 0x10, ...)`.
const SET_PARAMETERS: c_ulong =
    3 << 30 | (size_of::<Parameters>() as c_ulong) << 16 | (b'W' as c_ulong) << 8 | 0x10;

/// The same file: `SNDRV_RAWMIDI_STREAM_INPUT`.
const STREAM_INPUT: c_int = 1;

/// Linux, `sound/core/rawmidi.c`: a buffer of more is refused.
const BUFFER_MAX: usize = 1 << 20;
