/* A program in C that emits and decodes blocks: the header compiles, the library links, and what it says
 * is what MDB/ICP 4.3 says in the sections named. Ends with 0, or says what is wrong and ends with 1. */
#include "payrig_mdb.h"

#include <stdio.h>
#include <string.h>

static int wrong;

#define HOLDS(what) \
    do { \
        if (!(what)) { \
            fprintf(stderr, "%s:%d: does not hold: %s\n", __FILE__, __LINE__, #what); \
            wrong = 1; \
        } \
    } while (0)

static payrig_mdb_dialogue *dialogue;
static payrig_mdb_decoded heard;

/* Emits a block, checks that it is one, and decodes it. */
static payrig_mdb_status said(uint32_t side, const uint8_t *bytes, size_t count)
{
    payrig_mdb_word words[PAYRIG_MDB_MOST_WORDS];
    size_t written = 0;
    HOLDS(payrig_mdb_emit(side, bytes, count, words, PAYRIG_MDB_MOST_WORDS, &written) == PAYRIG_MDB_STATUS_OK);
    HOLDS(written == count + 1);
    HOLDS(payrig_mdb_check(side, words, written) == PAYRIG_MDB_STATUS_OK);
    return payrig_mdb_decode(dialogue, side, words, written, &heard);
}

static void checksum_of_the_standard(void)
{
    /* Section 2.2: the worked example adds up to 12CH, CHK 2CH. */
    static const uint8_t example[] = {0x02, 0x00, 0x01, 0x05, 0x02, 0x00, 0x07, 0x01, 0x02, 0x05, 0x14, 0xFF};
    HOLDS(payrig_mdb_chk(example, sizeof example) == 0x2C);
    HOLDS(payrig_mdb_chk(NULL, 4) == 0);
}

static void mode_bits(void)
{
    static const uint8_t poll[] = {0x0B};
    payrig_mdb_word words[2];
    size_t written = 0;
    /* Section 2.1: a master sets it on the address byte, a peripheral on its last. */
    HOLDS(payrig_mdb_emit(PAYRIG_MDB_MASTER, poll, 1, words, 2, &written) == PAYRIG_MDB_STATUS_OK);
    HOLDS(written == 2 && words[0].mode == 1 && words[1].mode == 0);
    HOLDS(payrig_mdb_emit(PAYRIG_MDB_PERIPHERAL, poll, 1, words, 2, &written) == PAYRIG_MDB_STATUS_OK);
    HOLDS(words[0].mode == 0 && words[1].mode == 1 && words[1].byte == 0x0B);
    words[1].mode = 0;
    HOLDS(payrig_mdb_check(PAYRIG_MDB_PERIPHERAL, words, 2) == PAYRIG_MDB_STATUS_MODE_BIT);
    words[1].mode = 1;
    words[1].byte = 0x0C;
    HOLDS(payrig_mdb_check(PAYRIG_MDB_PERIPHERAL, words, 2) == PAYRIG_MDB_STATUS_CHECKSUM);
    HOLDS(payrig_mdb_emit(PAYRIG_MDB_MASTER, poll, 1, words, 1, &written) == PAYRIG_MDB_STATUS_NO_ROOM);
}

static void a_conversation(void)
{
    static const payrig_mdb_word ack = {0x00, 0}, device_ack = {0x00, 1};
    static const uint8_t poll[] = {0x0B}, just_reset[] = {0x0B}, setup[] = {0x09};
    /* Section 5.3, SETUP: level 3, USD, scaling factor 5, 2 decimals, tubes for types 0 to 2. */
    static const uint8_t status[] = {0x03, 0x18, 0x40, 0x05, 0x02, 0x00, 0x07, 0x01, 0x02, 0x05, 0x14};
    static const uint8_t begin[] = {0x03, 0x00, 0x64};
    static const uint8_t reader_poll[] = {0x12};

    HOLDS(said(PAYRIG_MDB_PERIPHERAL, just_reset, 1) == PAYRIG_MDB_STATUS_OK);
    HOLDS(!heard.is_message && !heard.has_address);     /* nothing was asked before it */
    HOLDS(said(PAYRIG_MDB_MASTER, poll, 1) == PAYRIG_MDB_STATUS_OK);
    HOLDS(heard.address == 0x08 && strcmp(heard.name, "POLL") == 0);
    HOLDS(said(PAYRIG_MDB_PERIPHERAL, just_reset, 1) == PAYRIG_MDB_STATUS_OK);
    HOLDS(heard.is_message && strcmp(heard.name, "JUST RESET") == 0);
    HOLDS(payrig_mdb_decode(dialogue, PAYRIG_MDB_MASTER, &ack, 1, &heard) == PAYRIG_MDB_STATUS_OK);
    HOLDS(strcmp(heard.name, "ACK") == 0 && heard.address == 0x08);
    HOLDS(said(PAYRIG_MDB_MASTER, setup, 1) == PAYRIG_MDB_STATUS_OK);
    HOLDS(said(PAYRIG_MDB_PERIPHERAL, status, sizeof status) == PAYRIG_MDB_STATUS_OK);
    HOLDS(strcmp(heard.name, "SETUP") == 0 && strstr(heard.text, "scaling factor 5") != NULL);
    /* Section 7.4.4: a reader of level 1 begins a session with 1.00 (scaling is the reader's). */
    HOLDS(said(PAYRIG_MDB_MASTER, reader_poll, 1) == PAYRIG_MDB_STATUS_OK);
    HOLDS(said(PAYRIG_MDB_PERIPHERAL, begin, sizeof begin) == PAYRIG_MDB_STATUS_OK);
    HOLDS(heard.address == 0x10 && strcmp(heard.name, "BEGIN SESSION") == 0);
    HOLDS(said(PAYRIG_MDB_MASTER, poll, 1) == PAYRIG_MDB_STATUS_OK);
    HOLDS(payrig_mdb_decode(dialogue, PAYRIG_MDB_PERIPHERAL, &device_ack, 1, &heard) == PAYRIG_MDB_STATUS_OK);
    HOLDS(strcmp(heard.name, "ACK") == 0);
    payrig_mdb_dialogue_bus_reset(dialogue);
    HOLDS(payrig_mdb_decode(dialogue, PAYRIG_MDB_PERIPHERAL, &device_ack, 1, &heard) == PAYRIG_MDB_STATUS_OK);
    HOLDS(!heard.has_address);
}

static void lengths(void)
{
    static const uint8_t coin_type[] = {0x0C}, reader_setup[] = {0x11};
    /* Section 5.3: COIN TYPE has four bytes of data. */
    HOLDS(payrig_mdb_command_length(dialogue, coin_type, 1) == 6);
    /* Section 7.4.2: what SETUP is stands in its second byte. */
    HOLDS(payrig_mdb_command_length(dialogue, reader_setup, 1) == 0);
    HOLDS(payrig_mdb_command_length(NULL, coin_type, 1) == -1);
}

static void what_is_wrong(void)
{
    static const uint8_t bytes[40];
    payrig_mdb_word words[40] = {{0, 0}};
    size_t written = 7;
    HOLDS(payrig_mdb_emit(PAYRIG_MDB_MASTER, NULL, 1, words, 40, &written) == PAYRIG_MDB_STATUS_NULL);
    HOLDS(payrig_mdb_emit(PAYRIG_MDB_MASTER, bytes, 0, words, 40, &written) == PAYRIG_MDB_STATUS_EMPTY);
    HOLDS(payrig_mdb_emit(PAYRIG_MDB_MASTER, bytes, 36, words, 40, &written) == PAYRIG_MDB_STATUS_TOO_LONG);
    HOLDS(payrig_mdb_emit(9, bytes, 1, words, 40, &written) == PAYRIG_MDB_STATUS_NO_SIDE);
    HOLDS(written == 7);
    HOLDS(payrig_mdb_check(PAYRIG_MDB_MASTER, words, 0) == PAYRIG_MDB_STATUS_EMPTY);
    HOLDS(payrig_mdb_check(PAYRIG_MDB_MASTER, words, 37) == PAYRIG_MDB_STATUS_TOO_LONG);
    HOLDS(payrig_mdb_decode(NULL, PAYRIG_MDB_MASTER, words, 2, &heard) == PAYRIG_MDB_STATUS_NULL);
    HOLDS(payrig_mdb_decode(dialogue, PAYRIG_MDB_MASTER, words, 2, NULL) == PAYRIG_MDB_STATUS_NULL);
    words[0].byte = 0x0B;
    words[0].mode = 1;
    words[1].byte = 0x0A;
    HOLDS(payrig_mdb_decode(dialogue, PAYRIG_MDB_MASTER, words, 2, &heard) == PAYRIG_MDB_STATUS_CHECKSUM);
    HOLDS(!heard.is_message && strcmp(heard.name, "RAW") == 0 && strstr(heard.text, "CHK") != NULL);
}

int main(void)
{
    dialogue = payrig_mdb_dialogue_new();
    checksum_of_the_standard();
    mode_bits();
    a_conversation();
    lengths();
    what_is_wrong();
    payrig_mdb_dialogue_free(dialogue);
    payrig_mdb_dialogue_free(NULL);
    return wrong;
}
