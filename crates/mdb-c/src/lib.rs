//! [`payrig_mdb`] for C: blocks of MDB/ICP 4.3 emitted and decoded.
//!
//! `include/payrig_mdb.h` is made from this file. Nothing here reads a clock or keeps anything but what
//! a [`Dialogue`] remembers; a dialogue is used by one thread at a time. With the feature `bare` the
//! library needs no standard library: memory comes from `malloc`.

#![cfg_attr(feature = "bare", no_std)]

#[cfg(feature = "bare")]
mod bare;

extern crate alloc;

use alloc::boxed::Box;
use core::ffi::c_char;
use core::fmt::{self, Write};
use payrig_mdb::{
    ACK, Block, BlockError, Length, MAX_BLOCK, MasterFrame, NAK, PeripheralFrame, RET,
};

/// The most words of a block, CHK included (section 2.2).
pub const PAYRIG_MDB_MOST_WORDS: usize = 36;

/// Room for the name of a message, with its closing zero.
pub const PAYRIG_MDB_NAME_ROOM: usize = 64;

/// Room for a message in words, with its closing zero. A longer text is cut.
pub const PAYRIG_MDB_TEXT_ROOM: usize = 512;

const _: () = assert!(PAYRIG_MDB_MOST_WORDS == MAX_BLOCK);

/// A word of the bus: a byte and its mode bit (section 2.1).
#[repr(C)]
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Word {
    /// The byte.
    pub byte: u8,
    /// The mode bit: 0 for clear, anything else for set.
    pub mode: u8,
}

/// The board (VMC) speaks.
pub const PAYRIG_MDB_MASTER: u32 = 0;

/// A device speaks.
pub const PAYRIG_MDB_PERIPHERAL: u32 = 1;

/// Who speaks. C gives a number, which need be none of the two.
#[derive(Clone, Copy)]
enum Side {
    Master,
    Peripheral,
}

impl Side {
    fn of(number: u32) -> Option<Self> {
        match number {
            PAYRIG_MDB_MASTER => Some(Self::Master),
            PAYRIG_MDB_PERIPHERAL => Some(Self::Peripheral),
            _ => None,
        }
    }
}

/// How a call ended.
#[repr(C)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// Done.
    Ok = 0,
    /// A pointer that is needed is NULL.
    Null = 1,
    /// There are no bytes, or no words.
    Empty = 2,
    /// More than 36 bytes with the CHK (section 2.2).
    TooLong = 3,
    /// The last byte is not the sum of those before it (section 2.2).
    Checksum = 4,
    /// The words of a peripheral end without a mode bit, or have one before their end; those of a
    /// master have one anywhere but on their first (section 2.1).
    ModeBit = 5,
    /// There is no room for the result.
    NoRoom = 6,
    /// The side is neither PAYRIG_MDB_MASTER nor PAYRIG_MDB_PERIPHERAL.
    NoSide = 7,
}

/// What a transmission means.
#[repr(C)]
#[derive(Clone, Copy, Debug)]
pub struct Decoded {
    /// The address byte with its lower three bits zero (section 2.3): who is spoken to, or who answers.
    pub address: u8,
    /// False where nothing before it shows who is spoken to: `address` is 0 then.
    pub has_address: bool,
    /// False for what is no message of the standard: `text` has its bytes, and why.
    pub is_message: bool,
    /// The name in the standard's terms ("POLL", "JUST RESET"), or "RAW"; closed by a zero.
    pub name: [c_char; PAYRIG_MDB_NAME_ROOM],
    /// The whole in words, one line of UTF-8; closed by a zero.
    pub text: [c_char; PAYRIG_MDB_TEXT_ROOM],
}

/// A conversation on a bus: what an answer means depends on what was asked, and on the levels and options
/// that were agreed before.
#[derive(Debug, Default)]
pub struct Dialogue(payrig_mdb::Dialogue);

/// Text into bytes that are closed by a zero; what has no room is cut, at a whole character.
struct Text<'a> {
    /// All but the byte that closes it.
    room: &'a mut [u8],
    used: usize,
}

impl Write for Text<'_> {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for c in text.chars() {
            let end = self.used + c.len_utf8();
            let room = self.room.get_mut(self.used..end).ok_or(fmt::Error)?;
            c.encode_utf8(room);
            self.used = end;
        }
        Ok(())
    }
}

/// A text in so much room, closed by a zero.
fn closed<const ROOM: usize>(what: impl fmt::Display) -> [c_char; ROOM] {
    let mut bytes = [0u8; ROOM];
    if let Some((_, room)) = bytes.split_last_mut() {
        // It ends early where the room does.
        let _ = write!(Text { room, used: 0 }, "{what}");
    }
    bytes.map(|byte| byte as c_char)
}

/// What words say, as the frame of a side.
enum Frame {
    Master(MasterFrame),
    Peripheral(PeripheralFrame),
}

/// Words with their bytes in a row, and where the mode bit has to be.
struct Said {
    bytes: [u8; MAX_BLOCK],
    length: usize,
    modes_right: bool,
    /// The mode bit of the only word, where there is one word only.
    lone: Option<bool>,
}

fn said(side: Side, words: &[Word]) -> Result<Said, Status> {
    if words.is_empty() {
        return Err(Status::Empty);
    }
    let mut bytes = [0; MAX_BLOCK];
    let room = bytes.get_mut(..words.len()).ok_or(Status::TooLong)?;
    for (to, word) in room.iter_mut().zip(words) {
        *to = word.byte;
    }
    let marked = match side {
        Side::Master => 0,
        Side::Peripheral => words.len() - 1,
    };
    let modes_right = words
        .iter()
        .enumerate()
        .all(|(place, word)| (word.mode != 0) == (place == marked));
    let lone = match words {
        [only] => Some(only.mode != 0),
        _ => None,
    };
    Ok(Said {
        bytes,
        length: words.len(),
        modes_right,
        lone,
    })
}

impl Said {
    fn bytes(&self) -> &[u8] {
        self.bytes.get(..self.length).unwrap_or_default()
    }

    /// The frame of a side (sections 2.1, 2.2).
    fn frame(&self, side: Side) -> Result<Frame, Status> {
        let block = || match self.modes_right {
            true => Block::from_wire(self.bytes()).map_err(status),
            false => Err(Status::ModeBit),
        };
        Ok(match (side, self.lone, self.bytes()) {
            (Side::Master, Some(false), [ACK]) => Frame::Master(MasterFrame::Ack),
            (Side::Master, Some(false), [NAK]) => Frame::Master(MasterFrame::Nak),
            (Side::Master, Some(false), [RET]) => Frame::Master(MasterFrame::Ret),
            (Side::Peripheral, Some(true), [ACK]) => Frame::Peripheral(PeripheralFrame::Ack),
            (Side::Peripheral, Some(true), [NAK]) => Frame::Peripheral(PeripheralFrame::Nak),
            (Side::Master, ..) => Frame::Master(MasterFrame::Command(block()?)),
            (Side::Peripheral, ..) => Frame::Peripheral(PeripheralFrame::Data(block()?)),
        })
    }
}

fn status(error: BlockError) -> Status {
    match error {
        BlockError::Empty => Status::Empty,
        BlockError::TooLong { .. } => Status::TooLong,
        _ => Status::Checksum,
    }
}

// ---- what C calls ------------------------------------------------------------------------------

/// So many of what C points at; none for no pointer.
///
/// # Safety
/// `of` is NULL, or points at `count` of them that nobody changes meanwhile.
#[allow(unsafe_code)]
unsafe fn pointed<'a, T>(of: *const T, count: usize) -> Option<&'a [T]> {
    // SAFETY: as the caller promises; the address is not NULL.
    (!of.is_null()).then(|| unsafe { core::slice::from_raw_parts(of, count) })
}

/// The sum of `count` bytes, low eight bits: the CHK that follows them on the wire (section 2.2). 0 for
/// NULL.
///
/// # Safety
/// `bytes` is NULL, or points at `count` bytes.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub unsafe extern "C" fn payrig_mdb_chk(bytes: *const u8, count: usize) -> u8 {
    // SAFETY: as the caller promises.
    unsafe { pointed(bytes, count) }.map_or(0, payrig_mdb::chk)
}

/// The words of a block: its `count` bytes with the CHK behind them, the mode bit where its sender sets
/// it (sections 2.1, 2.2). `words` has room for `room` of them; `written` is how many there are.
///
/// # Safety
/// `bytes` is NULL or points at `count` bytes, `words` is NULL or points at room for `room` words,
/// `written` is NULL or points at a size.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub unsafe extern "C" fn payrig_mdb_emit(
    side: u32,
    bytes: *const u8,
    count: usize,
    words: *mut Word,
    room: usize,
    written: *mut usize,
) -> Status {
    // SAFETY: as the caller promises.
    let bytes = unsafe { pointed(bytes, count) };
    // SAFETY: as the caller promises: NULL, or room that is the caller's alone.
    let written = unsafe { written.as_mut() };
    let (Some(bytes), Some(written), false) = (bytes, written, words.is_null()) else {
        return Status::Null;
    };
    let Some(side) = Side::of(side) else {
        return Status::NoSide;
    };
    // SAFETY: as the caller promises; it is not NULL.
    let room = unsafe { core::slice::from_raw_parts_mut(words, room) };
    let block = match Block::new(bytes) {
        Ok(block) => block,
        Err(error) => return status(error),
    };
    let count = bytes.len() + 1;
    let Some(room) = room.get_mut(..count) else {
        return Status::NoRoom;
    };
    let put = |(to, word): (&mut Word, payrig_mdb::Word)| {
        *to = Word {
            byte: word.byte,
            mode: u8::from(word.mode),
        };
    };
    match side {
        Side::Master => room.iter_mut().zip(block.master_words()).for_each(put),
        Side::Peripheral => room.iter_mut().zip(block.peripheral_words()).for_each(put),
    }
    *written = count;
    Status::Ok
}

/// Whether words are a whole transmission of a side: ACK, NAK, RET, or a block with a right CHK and its
/// mode bits in their places (sections 2.1, 2.2).
///
/// # Safety
/// `words` is NULL, or points at `count` words.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub unsafe extern "C" fn payrig_mdb_check(side: u32, words: *const Word, count: usize) -> Status {
    // SAFETY: as the caller promises.
    let Some(words) = (unsafe { pointed(words, count) }) else {
        return Status::Null;
    };
    let Some(side) = Side::of(side) else {
        return Status::NoSide;
    };
    match said(side, words).and_then(|said| said.frame(side)) {
        Ok(_) => Status::Ok,
        Err(status) => status,
    }
}

/// A dialogue in which nothing was said. To be freed with `payrig_mdb_dialogue_free`. The program is
/// aborted when there is no memory for it.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub extern "C" fn payrig_mdb_dialogue_new() -> *mut Dialogue {
    Box::into_raw(Box::new(Dialogue::default()))
}

/// Frees a dialogue; NULL is left alone.
///
/// # Safety
/// `dialogue` is NULL, or came from `payrig_mdb_dialogue_new` and was not freed.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub unsafe extern "C" fn payrig_mdb_dialogue_free(dialogue: *mut Dialogue) {
    if !dialogue.is_null() {
        // SAFETY: as the caller promises: it came from Box::into_raw, and is given back once.
        drop(unsafe { Box::from_raw(dialogue) });
    }
}

/// The board reset the bus: what was agreed holds no more (section 3.2). NULL is left alone.
///
/// # Safety
/// `dialogue` is NULL, or a dialogue that nobody else uses now.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub unsafe extern "C" fn payrig_mdb_dialogue_bus_reset(dialogue: *mut Dialogue) {
    // SAFETY: as the caller promises.
    if let Some(dialogue) = unsafe { dialogue.as_mut() } {
        dialogue.0.bus_reset();
    }
}

/// How many bytes the command has, CHK included, that begins with these, given what was agreed so far; 0
/// when more bytes are needed to tell, -1 when the standard does not say (section 2.6.4), or for NULL.
///
/// # Safety
/// `dialogue` is NULL, or a dialogue that nobody changes now; `bytes` is NULL, or points at `count` bytes.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub unsafe extern "C" fn payrig_mdb_command_length(
    dialogue: *const Dialogue,
    bytes: *const u8,
    count: usize,
) -> i32 {
    // SAFETY: as the caller promises.
    let given = unsafe { (dialogue.as_ref(), pointed(bytes, count)) };
    let (Some(dialogue), Some(bytes)) = given else {
        return -1;
    };
    match dialogue.0.command_length(bytes) {
        Length::Known(length) => i32::try_from(length).unwrap_or(-1),
        Length::NeedMore => 0,
        Length::Unknown => -1,
    }
}

/// What a transmission means, after all that the dialogue was given before. `decoded` is filled in
/// whenever there are 1 to 36 words, also when they are no right transmission: its text says why, and the
/// status as well.
///
/// # Safety
/// `dialogue` is NULL, or a dialogue that nobody else uses now; `words` is NULL, or points at `count`
/// words; `decoded` is NULL, or points at room for one.
#[unsafe(no_mangle)]
#[allow(unsafe_code)]
pub unsafe extern "C" fn payrig_mdb_decode(
    dialogue: *mut Dialogue,
    side: u32,
    words: *const Word,
    count: usize,
    decoded: *mut Decoded,
) -> Status {
    // SAFETY: as the caller promises.
    let given = unsafe { (dialogue.as_mut(), pointed(words, count)) };
    let (Some(dialogue), Some(words), false) = (given.0, given.1, decoded.is_null()) else {
        return Status::Null;
    };
    let Some(side) = Side::of(side) else {
        return Status::NoSide;
    };
    let said = match said(side, words) {
        Ok(said) => said,
        Err(status) => return status,
    };
    let frame = said.frame(side);
    let (meaning, status) = match (&frame, side) {
        (Ok(Frame::Master(frame)), _) => (dialogue.0.master(frame), Status::Ok),
        (Ok(Frame::Peripheral(frame)), _) => (dialogue.0.peripheral(frame), Status::Ok),
        (Err(status), Side::Master) => (dialogue.0.master_bytes(said.bytes()), *status),
        (Err(status), Side::Peripheral) => (dialogue.0.peripheral_bytes(said.bytes()), *status),
    };
    let filled = Decoded {
        address: meaning.address.map_or(0, payrig_mdb::Address::byte),
        has_address: meaning.address.is_some(),
        is_message: meaning.typed.is_some(),
        name: closed(meaning.name()),
        text: closed(&meaning),
    };
    // SAFETY: as the caller promises: room for one, which may hold anything before.
    unsafe { decoded.write(filled) };
    status
}
