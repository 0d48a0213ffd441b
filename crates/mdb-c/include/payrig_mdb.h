/* MDB/ICP 4.3 blocks, emitted and decoded. Made from crates/mdb-c/src/lib.rs: do not edit. */

#ifndef PAYRIG_MDB_H
#define PAYRIG_MDB_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/*
 The most words of a block, CHK included (section 2.2).
 */
#define PAYRIG_MDB_MOST_WORDS 36

/*
 Room for the name of a message, with its closing zero.
 */
#define PAYRIG_MDB_NAME_ROOM 64

/*
 Room for a message in words, with its closing zero. A longer text is cut.
 */
#define PAYRIG_MDB_TEXT_ROOM 512

/*
 The board (VMC) speaks.
 */
#define PAYRIG_MDB_MASTER 0

/*
 A device speaks.
 */
#define PAYRIG_MDB_PERIPHERAL 1

/*
 How a call ended.
 */
typedef enum payrig_mdb_status {
  /*
   Done.
   */
  PAYRIG_MDB_STATUS_OK = 0,
  /*
   A pointer that is needed is NULL.
   */
  PAYRIG_MDB_STATUS_NULL = 1,
  /*
   There are no bytes, or no words.
   */
  PAYRIG_MDB_STATUS_EMPTY = 2,
  /*
   More than 36 bytes with the CHK (section 2.2).
   */
  PAYRIG_MDB_STATUS_TOO_LONG = 3,
  /*
   The last byte is not the sum of those before it (section 2.2).
   */
  PAYRIG_MDB_STATUS_CHECKSUM = 4,
  /*
   The words of a peripheral end without a mode bit, or have one before their end; those of a
   master have one anywhere but on their first (section 2.1).
   */
  PAYRIG_MDB_STATUS_MODE_BIT = 5,
  /*
   There is no room for the result.
   */
  PAYRIG_MDB_STATUS_NO_ROOM = 6,
  /*
   The side is neither PAYRIG_MDB_MASTER nor PAYRIG_MDB_PERIPHERAL.
   */
  PAYRIG_MDB_STATUS_NO_SIDE = 7,
} payrig_mdb_status;

/*
 A conversation on a bus: what an answer means depends on what was asked, and on the levels and options
 that were agreed before.
 */
typedef struct payrig_mdb_dialogue payrig_mdb_dialogue;

/*
 A word of the bus: a byte and its mode bit (section 2.1).
 */
typedef struct payrig_mdb_word {
  /*
   The byte.
   */
  uint8_t byte;
  /*
   The mode bit: 0 for clear, anything else for set.
   */
  uint8_t mode;
} payrig_mdb_word;

/*
 What a transmission means.
 */
typedef struct payrig_mdb_decoded {
  /*
   The address byte with its lower three bits zero (section 2.3): who is spoken to, or who answers.
   */
  uint8_t address;
  /*
   False where nothing before it shows who is spoken to: `address` is 0 then.
   */
  bool has_address;
  /*
   False for what is no message of the standard: `text` has its bytes, and why.
   */
  bool is_message;
  /*
   The name in the standard's terms ("POLL", "JUST RESET"), or "RAW"; closed by a zero.
   */
  char name[PAYRIG_MDB_NAME_ROOM];
  /*
   The whole in words, one line of UTF-8; closed by a zero.
   */
  char text[PAYRIG_MDB_TEXT_ROOM];
} payrig_mdb_decoded;

#ifdef __cplusplus
extern "C" {
#endif // __cplusplus

/*
 The sum of `count` bytes, low eight bits: the CHK that follows them on the wire (section 2.2). 0 for
 NULL.

 # Safety
 `bytes` is NULL, or points at `count` bytes.
 */
uint8_t payrig_mdb_chk(const uint8_t *bytes,
                       size_t count);

/*
 The words of a block: its `count` bytes with the CHK behind them, the mode bit where its sender sets
 it (sections 2.1, 2.2). `words` has room for `room` of them; `written` is how many there are.

 # Safety
 `bytes` is NULL or points at `count` bytes, `words` is NULL or points at room for `room` words,
 `written` is NULL or points at a size.
 */
enum payrig_mdb_status payrig_mdb_emit(uint32_t side,
                                       const uint8_t *bytes,
                                       size_t count,
                                       struct payrig_mdb_word *words,
                                       size_t room,
                                       size_t *written);

/*
 Whether words are a whole transmission of a side: ACK, NAK, RET, or a block with a right CHK and its
 mode bits in their places (sections 2.1, 2.2).

 # Safety
 `words` is NULL, or points at `count` words.
 */
enum payrig_mdb_status payrig_mdb_check(uint32_t side,
                                        const struct payrig_mdb_word *words,
                                        size_t count);

/*
 A dialogue in which nothing was said. To be freed with `payrig_mdb_dialogue_free`. The program is
 aborted when there is no memory for it.
 */
struct payrig_mdb_dialogue *payrig_mdb_dialogue_new(void);

/*
 Frees a dialogue; NULL is left alone.

 # Safety
 `dialogue` is NULL, or came from `payrig_mdb_dialogue_new` and was not freed.
 */
void payrig_mdb_dialogue_free(struct payrig_mdb_dialogue *dialogue);

/*
 The board reset the bus: what was agreed holds no more (section 3.2). NULL is left alone.

 # Safety
 `dialogue` is NULL, or a dialogue that nobody else uses now.
 */
void payrig_mdb_dialogue_bus_reset(struct payrig_mdb_dialogue *dialogue);

/*
 How many bytes the command has, CHK included, that begins with these, given what was agreed so far; 0
 when more bytes are needed to tell, -1 when the standard does not say (section 2.6.4), or for NULL.

 # Safety
 `dialogue` is NULL, or a dialogue that nobody changes now; `bytes` is NULL, or points at `count` bytes.
 */
int32_t payrig_mdb_command_length(const struct payrig_mdb_dialogue *dialogue,
                                  const uint8_t *bytes,
                                  size_t count);

/*
 What a transmission means, after all that the dialogue was given before. `decoded` is filled in
 whenever there are 1 to 36 words, also when they are no right transmission: its text says why, and the
 status as well.

 # Safety
 `dialogue` is NULL, or a dialogue that nobody else uses now; `words` is NULL, or points at `count`
 words; `decoded` is NULL, or points at room for one.
 */
enum payrig_mdb_status payrig_mdb_decode(struct payrig_mdb_dialogue *dialogue,
                                         uint32_t side,
                                         const struct payrig_mdb_word *words,
                                         size_t count,
                                         struct payrig_mdb_decoded *decoded);

#ifdef __cplusplus
}  // extern "C"
#endif  // __cplusplus

#endif  /* PAYRIG_MDB_H */
