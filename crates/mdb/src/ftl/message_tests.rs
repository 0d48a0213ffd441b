use super::*;
use crate::prelude::*;
use proptest::prelude::*;

const BILL: Address = Address::BILL_VALIDATOR;

/// MDB/ICP 4.3, section 2.6.4: the table of commands and responses. 37H is α7 for 30H.
#[test]
fn codes_and_fields_of_the_table() {
    let offer = Message::ReqToSend {
        dest: BILL,
        src: Address::VMC,
        file: FileId::DTS,
        length: 3,
        control: Control(2),
    };
    let ready = Message::OkToSend {
        dest: Address::VMC,
        src: BILL,
    };
    let block = Message::SendBlock {
        dest: BILL,
        block: 0,
        data: Chunk::new(b"DXS").unwrap(),
    };
    let deny = Message::RetryDeny {
        dest: Address::VMC,
        src: BILL,
        delay: 0,
    };
    let ask = Message::ReqToRcv {
        dest: BILL,
        src: Address::CHANGER,
        file: FileId(0xF1),
        max_length: 255,
        control: Control(3),
    };
    let cases: [(Message, &[u8], &[u8]); 5] = [
        (
            offer,
            &[0x37, 0xFE, 0x30, 0x00, 0x01, 0x03, 0x02],
            &[0x1F, 0x30, 0x00, 0x01, 0x03, 0x02],
        ),
        (ready, &[0x37, 0xFD, 0x00, 0x30], &[0x1E, 0x00, 0x30]),
        (
            block,
            &[0x37, 0xFC, 0x30, 0x00, b'D', b'X', b'S'],
            &[0x1D, 0x30, 0x00, b'D', b'X', b'S'],
        ),
        (
            deny,
            &[0x37, 0xFB, 0x00, 0x30, 0x00],
            &[0x1C, 0x00, 0x30, 0x00],
        ),
        (
            ask,
            &[0x37, 0xFA, 0x30, 0x08, 0xF1, 0xFF, 0x03],
            &[0x1B, 0x30, 0x08, 0xF1, 0xFF, 0x03],
        ),
    ];
    for (message, command, response) in cases {
        assert_eq!(message.emit_command(BILL).bytes(), command);
        assert_eq!(message.emit_response().bytes(), response);
        assert_eq!(Message::parse_command(command), Ok(message));
        assert_eq!(Message::parse_response(response), Ok(message));
        match command_length(command) {
            Length::Known(n) => assert_eq!(n, command.len() + 1),
            length => assert_eq!((length, message.name()), (Length::Unknown, "SEND BLOCK")),
        }
    }
}

/// Section 2.6.4, Data Block: 31 bytes at most, which makes a block of 36 with CHK.
#[test]
fn a_full_block_fits_and_a_fuller_one_is_refused() {
    let data = Chunk::new(&[7; 31]).unwrap();
    let message = Message::SendBlock {
        dest: BILL,
        block: 255,
        data,
    };
    assert_eq!(
        message.emit_command(BILL).bytes().len() + 1,
        crate::MAX_BLOCK
    );
    let mut long = message.emit_response().bytes().to_vec();
    long.push(7);
    assert_eq!(
        Message::parse_response(&long),
        Err(ParseError::Long { at: 34, extra: 1 })
    );
    assert!(Chunk::new(&[0; 32]).is_none());
}

#[test]
fn errors_name_the_byte() {
    let error = Message::parse_command(&[0x37, 0xFD, 0x31, 0x00]).unwrap_err();
    assert!(error.to_string().starts_with("byte 2 is 31H"), "{error}");
    let error = Message::parse_response(&[0x1C, 0x00, 0x30]).unwrap_err();
    assert!(error.to_string().contains("retry delay"), "{error}");
    assert!(Message::parse_command(&[0x36, 0xFD, 0x30, 0x00]).is_err());
    assert!(Message::parse_command(&[0x37, 0x00]).is_err());
}

proptest! {
    #[test]
    fn any_bytes_never_panic(bytes in proptest::collection::vec(any::<u8>(), 0..=40)) {
        let _ = Message::parse_command(&bytes);
        let _ = Message::parse_response(&bytes);
        let _ = command_length(&bytes);
    }

    #[test]
    fn what_parses_is_emitted_again(
        code in 0xFAu8..=0xFE, dest in 0u8..32, src in 0u8..32,
        rest in proptest::collection::vec(any::<u8>(), 0..=30),
    ) {
        let mut bytes = vec![0x37, code, dest << 3, src << 3];
        bytes.extend(&rest);
        for len in 0..=bytes.len() {
            if let Ok(message) = Message::parse_command(&bytes[..len]) {
                let command = message.emit_command(BILL);
                prop_assert_eq!(command.bytes(), &bytes[..len]);
                let response = message.emit_response();
                prop_assert_eq!(Message::parse_response(response.bytes()), Ok(message));
            }
        }
    }
}
