/* The firmware of a small vending machine: see firmware.h. Sections are of MDB/ICP 4.3. */
#include "firmware.h"

#include <stdio.h>
#include <string.h>

enum { ACK = 0x00, RET = 0xAA, NAK = 0xFF };

#define MS 1000LL
#define SECOND 1000000LL
#define WORD_TIME 1146          /* 11 bits at 9600 baud (2.1) */
#define BREAK_TIME (150 * MS)   /* 100 ms at least (3.2) */
#define SETUP_TIME (300 * MS)   /* 200 ms after a bus reset at least (3.2) */
#define ANSWER_TIME (5 * MS)    /* an answer begins by then (3.2) */
#define BYTE_TIME (2 * MS)      /* 1 ms is allowed between bytes (3.2); good devices are not cut off */
#define PAUSE (2 * MS)          /* between one exchange and the next command */
#define POLL_EVERY (125 * MS)   /* of each device: 125 to 200 ms (Appendix 3, section 2) */
#define GIVE_UP (5 * SECOND)    /* the longest non-response time of the two (5.4, 7.5) */

#define ASK_AGAIN 3             /* so often is a damaged answer asked for again (2.2, Appendix 3) */
#define CREDIT_MOST 500         /* no coin is taken beyond this */

static const struct { int item, price; } MACHINE[] = {{11, 125}, {12, 75}, {13, 25}};
#define ITEMS ((int)(sizeof MACHINE / sizeof *MACHINE))

/* Where a device is on its way to being polled. */
enum stage { RESET, WAIT, ASK, ASKED, ASK_MORE, ENABLE, POLLED };

struct device {
    uint8_t address;
    enum stage stage;
    time_us heard;              /* when it last answered */
    time_us poll;               /* when it is asked next */
};

static struct device changer = {.address = 0x08}, reader = {.address = 0x10};
static struct device *const ALL[] = {&changer, &reader};

/* ---- the exchange under way -------------------------------------------------------------------- */

static uint8_t command[36];
static int command_length;
static struct device *asked;    /* NULL while nothing is waited for */
static time_us answer_by;
static uint8_t answer[36];
static int answer_length, asked_again;
static time_us free_from;       /* when the next command may begin */
static int turn;

/* ---- the changer: values in cents by coin type ------------------------------------------------- */

static int scale, value[16], tube[16];
static bool tubes_known, coins_on;
static int pay_type = -1, pay_count;    /* an order that was not acknowledged yet */
static bool paying;

/* ---- the reader -------------------------------------------------------------------------------- */

static int card_scale;
static enum { NO_SESSION, SESSION, REQUESTED, APPROVED, FELL, JAMMED, COMPLETE, ENDING } card;

/* ---- the sale ---------------------------------------------------------------------------------- */

static int credit, to_return, motor;    /* cents, cents, the item that is being delivered */
static bool by_card;

static void show(void)
{
    char text[32];
    if (!firmware_ready())
        hal_display("OUT OF ORDER");
    else if (motor)
        hal_display("VENDING");
    else if (card != NO_SESSION)
        hal_display("CARD");
    else if (credit > 0) {
        snprintf(text, sizeof text, "CREDIT %d.%02d", credit / 100, credit % 100);
        hal_display(text);
    } else
        hal_display("READY");
}

static int price_of(int item)
{
    for (int i = 0; i < ITEMS; i++)
        if (MACHINE[i].item == item)
            return MACHINE[i].price;
    return 0;
}

static int price_limit(bool most)
{
    int limit = MACHINE[0].price;
    for (int i = 1; i < ITEMS; i++)
        if (most == (MACHINE[i].price > limit))
            limit = MACHINE[i].price;
    return limit;
}

bool firmware_ready(void)
{
    return changer.stage == POLLED && reader.stage == POLLED;
}

int firmware_credit(void)
{
    return credit;
}

/* ---- speaking ---------------------------------------------------------------------------------- */

static void say(time_us now, struct device *to, const uint8_t *bytes, int count)
{
    word words[36];
    uint8_t sum = 0;
    for (int i = 0; i < count; i++) {
        words[i] = bytes[i] | (i == 0 ? MODE : 0);
        sum = (uint8_t)(sum + bytes[i]);
    }
    words[count] = sum;
    memmove(command, bytes, (size_t)count);
    command_length = count;
    asked = to;
    answer_length = asked_again = 0;
    answer_by = now + (count + 1) * WORD_TIME + ANSWER_TIME + WORD_TIME;
    hal_send(words, count + 1);
}

static void say_one(time_us now, uint8_t byte)
{
    word single = byte;
    hal_send(&single, 1);
    free_from = now + WORD_TIME + PAUSE;
}

#define SAY(to, ...) do { \
        const uint8_t bytes[] = {__VA_ARGS__}; \
        say(now, to, bytes, (int)sizeof bytes); \
    } while (0)

/* The largest coins first, as long as the tubes have them. True when something was ordered. */
static bool pay(time_us now)
{
    for (int type = 15; type >= 0; type--) {
        int n = value[type] > 0 ? to_return / value[type] : 0;
        n = n > tube[type] ? tube[type] : n > 15 ? 15 : n;
        if (n > 0) {
            pay_type = type;
            pay_count = n;
            SAY(&changer, 0x0D, (uint8_t)(n << 4 | type));      /* DISPENSE (5.3) */
            return true;
        }
    }
    /* No coin is small enough: what is left stays credit, and can be spent. */
    credit += to_return;
    to_return = 0;
    show();
    return false;
}

static void to_changer(time_us now)
{
    bool on = credit < CREDIT_MOST && !motor && to_return == 0;
    uint8_t mask = on ? 0xFF : 0x00;
    switch (changer.stage) {
    case RESET: SAY(&changer, 0x08); break;
    case WAIT: case ASKED: SAY(&changer, 0x0B); break;
    case ASK: SAY(&changer, 0x09); break;                       /* SETUP (5.3) */
    case ASK_MORE: SAY(&changer, 0x0A); break;                  /* TUBE STATUS (5.3) */
    case ENABLE: SAY(&changer, 0x0C, 0xFF, 0xFF, 0xFF, 0xFF); break;
    case POLLED:
        if (!tubes_known)
            SAY(&changer, 0x0A);
        else if (on != coins_on)
            SAY(&changer, 0x0C, mask, mask, 0xFF, 0xFF);        /* COIN TYPE (5.3) */
        else if (to_return == 0 || paying || motor || !pay(now))
            SAY(&changer, 0x0B);                                /* POLL (5.3) */
    }
}

static void to_reader(time_us now)
{
    int price = card_scale ? price_of(motor) / card_scale : 0;
    int most = card_scale ? price_limit(true) / card_scale : 0;
    int least = card_scale ? price_limit(false) / card_scale : 0;
    switch (reader.stage) {
    case RESET: SAY(&reader, 0x10); break;
    case WAIT: case ASKED: SAY(&reader, 0x12); break;          /* POLL (7.4.4) */
    case ASK: SAY(&reader, 0x11, 0x00, 1, 0, 0, 0); break;      /* SETUP, level 1, no display (7.4.2) */
    case ASK_MORE:                                              /* SETUP, prices (7.4.3) */
        SAY(&reader, 0x11, 0x01, (uint8_t)(most >> 8), (uint8_t)most, (uint8_t)(least >> 8), (uint8_t)least);
        break;
    case ENABLE: SAY(&reader, 0x14, 0x01); break;               /* READER ENABLE (7.4.12) */
    case POLLED:
        switch (card) {
        case NO_SESSION: case SESSION: case REQUESTED: case APPROVED: case ENDING:
            if (card == SESSION && by_card && motor)            /* VEND REQUEST (7.4.5) */
                SAY(&reader, 0x13, 0x00, (uint8_t)(price >> 8), (uint8_t)price, 0, (uint8_t)motor);
            else
                SAY(&reader, 0x12);
            break;
        case FELL: SAY(&reader, 0x13, 0x02, 0, (uint8_t)motor); break;  /* VEND SUCCESS (7.4.7) */
        case JAMMED: SAY(&reader, 0x13, 0x03); break;                   /* VEND FAILURE (7.4.8) */
        case COMPLETE: SAY(&reader, 0x13, 0x04); break;                 /* SESSION COMPLETE (7.4.9) */
        }
    }
}

/* ---- hearing ----------------------------------------------------------------------------------- */

static void changer_was_reset(void)
{
    changer.stage = ASK;
    coins_on = tubes_known = paying = false;
}

static void paid(void)
{
    to_return -= pay_count * value[pay_type];
    tube[pay_type] -= pay_count;
    pay_type = -1;
    paying = true;
}

static void heard_poll_of_changer(void)
{
    bool busy = false;
    for (int i = 0; i < answer_length;) {
        uint8_t z = answer[i];
        if (z & 0x80)                                   /* coins that were paid by hand (5.3) */
            i += 2;
        else if (z & 0x40) {                            /* a coin came in: tube or cash box (5.3) */
            int type = z & 0x0F;
            if ((z & 0x30) == 0x00 || (z & 0x30) == 0x10)
                credit += value[type];
            if ((z & 0x30) == 0x10 && i + 1 < answer_length)
                tube[type] = answer[i + 1];
            i += 2;
        } else {
            if (z == 0x01)                              /* the lever (5.3) */
                to_return += credit, credit = 0;
            if (z == 0x02)
                busy = true;
            if (z == 0x0B) {
                changer_was_reset();
                return;
            }
            i += 1;
        }
    }
    if (paying && !busy) {                              /* the payout is over: what is in the tubes now? */
        paying = false;
        tubes_known = false;
    }
}

static void heard_tubes(void)
{
    int before = pay_type >= 0 ? tube[pay_type] : 0;
    for (int type = 0; type < 16; type++)
        tube[type] = 2 + type < answer_length ? answer[2 + type] : 0;
    tubes_known = true;
    if (pay_type >= 0) {                                /* an order without ACK: the tubes say whether it was heard */
        if (tube[pay_type] < before)
            to_return -= (before - tube[pay_type]) * value[pay_type];
        pay_type = -1;
    }
}

/* The changer answered: with data, or with ACK where there is none. */
static void from_changer(void)
{
    switch (changer.stage) {
    case RESET: changer.stage = WAIT; return;
    case WAIT:
        for (int i = 0; i < answer_length; i++)
            if (answer[i] == 0x0B)                      /* JUST RESET (5.3) */
                changer_was_reset();
        return;
    case ASK: case ASKED:
        if (answer_length < 7)
            return;
        scale = answer[3];
        for (int type = 0; type < 16; type++)
            value[type] = 7 + type < answer_length && answer[7 + type] != 0xFF ? answer[7 + type] * scale : 0;
        changer.stage = ASK_MORE;
        return;
    case ASK_MORE:
        heard_tubes();
        changer.stage = ENABLE;
        return;
    case ENABLE: changer.stage = POLLED; coins_on = true; return;
    case POLLED: break;
    }
    switch (command[0]) {
    case 0x0A: heard_tubes(); break;
    case 0x0B: heard_poll_of_changer(); break;
    case 0x0C: coins_on = command[1] != 0; break;
    case 0x0D: paid(); break;
    }
}

static void card_is_gone(void)
{
    card = NO_SESSION;
    if (by_card)
        motor = 0;
    by_card = false;
}

static void heard_reader(void)
{
    /* At level 1 an answer is one report. */
    switch (answer_length > 0 ? answer[0] : -1) {
    case 0x00: reader.stage = ASK; card_is_gone(); break;       /* JUST RESET (7.4.4) */
    case 0x03: if (card == NO_SESSION) card = SESSION; break;   /* BEGIN SESSION (7.4.4) */
    case 0x04: if (card == SESSION || card == REQUESTED) card = COMPLETE, motor = by_card ? 0 : motor; break;
    case 0x05:                                                  /* VEND APPROVED (7.4.5) */
        if (card == REQUESTED) {
            card = APPROVED;
            hal_motor(motor);
        }
        break;
    case 0x06: if (card == REQUESTED) card = COMPLETE, motor = 0; break;        /* VEND DENIED (7.4.5) */
    case 0x07: card_is_gone(); break;                           /* END SESSION (7.4.4) */
    case 0x0B: reader.stage = RESET; card_is_gone(); break;     /* COMMAND OUT OF SEQUENCE (7.4.4) */
    }
}

static void from_reader(void)
{
    switch (reader.stage) {
    case RESET: reader.stage = WAIT; return;
    case WAIT: if (answer_length > 0 && answer[0] == 0x00) reader.stage = ASK; return;
    case ASK: case ASKED:                                       /* at once, or with a later POLL (7.4.2) */
        reader.stage = ASKED;
        if (answer_length < 8 || answer[0] != 0x01)
            return;
        card_scale = answer[4];
        reader.stage = ASK_MORE;
        return;
    case ASK_MORE: reader.stage = ENABLE; return;
    case ENABLE: reader.stage = POLLED; return;
    case POLLED: break;
    }
    if (command[0] == 0x13) {                                   /* VEND: taken, before what it answers */
        switch (command[1]) {
        case 0x00: card = REQUESTED; break;
        case 0x02: case 0x03: card = COMPLETE; motor = 0; break;
        case 0x04: card = ENDING; break;
        }
    }
    heard_reader();
}

static void answered(time_us now)
{
    struct device *from = asked;
    asked = NULL;
    from->heard = now;
    if (from == &changer)
        from_changer();
    else
        from_reader();
    show();
}

void firmware_word(time_us now, word heard)
{
    uint8_t sum = 0;
    if (asked == NULL || answer_length >= 36)
        return;
    answer[answer_length++] = (uint8_t)heard;
    answer_by = now + WORD_TIME + BYTE_TIME;
    if (!(heard & MODE))
        return;
    if (answer_length == 1) {                                   /* ACK or NAK: nothing is said to it (2.2) */
        bool good = answer[0] == ACK;
        answer_length = 0;
        free_from = now + PAUSE;
        if (good)
            answered(now);
        else
            asked = NULL;
        return;
    }
    for (int i = 0; i + 1 < answer_length; i++)
        sum = (uint8_t)(sum + answer[i]);
    if (sum != answer[answer_length - 1] && asked_again++ == ASK_AGAIN) {
        asked = NULL;
        say_one(now, NAK);
        return;
    }
    if (sum != answer[answer_length - 1]) {
        say_one(now, RET);
        answer_by = now + 2 * WORD_TIME + ANSWER_TIME;
        answer_length = 0;
        return;
    }
    answer_length--;
    say_one(now, ACK);
    answered(now);
}

/* ---- time -------------------------------------------------------------------------------------- */

static void silence(time_us now)
{
    struct device *from = asked;
    asked = NULL;
    free_from = now + PAUSE;
    if (from == &changer && changer.stage == POLLED && command[0] == 0x0D)
        tubes_known = false;                                    /* was DISPENSE heard? The tubes say it. */
    if (now - from->heard > GIVE_UP) {
        from->stage = RESET;
        from->heard = now;
        if (from == &reader)
            card_is_gone();
        show();
    }
}

void firmware_start(time_us now)
{
    changer.stage = reader.stage = RESET;
    changer.heard = reader.heard = changer.poll = reader.poll = now;
    asked = NULL;
    credit = to_return = motor = 0;
    by_card = paying = coins_on = tubes_known = false;
    pay_type = -1;
    card = NO_SESSION;
    hal_break(BREAK_TIME);
    free_from = now + BREAK_TIME + SETUP_TIME;
    show();
}

void firmware_tick(time_us now)
{
    if (asked != NULL && now >= answer_by)
        silence(now);
    if (asked != NULL || now < free_from)
        return;
    for (int i = 0; i < 2; i++) {
        struct device *next = ALL[turn++ % 2];
        if (now >= next->poll) {
            next->poll = now + POLL_EVERY;
            if (next == &changer)
                to_changer(now);
            else
                to_reader(now);
            return;
        }
    }
}

time_us firmware_wake(void)
{
    time_us poll = changer.poll < reader.poll ? changer.poll : reader.poll;
    if (asked != NULL)
        return answer_by;
    return poll > free_from ? poll : free_from;
}

/* ---- the customer ------------------------------------------------------------------------------ */

void firmware_key(time_us now, int item)
{
    int price = price_of(item);
    (void)now;
    if (!firmware_ready() || price == 0 || motor || to_return > 0)
        return;
    if (card == SESSION) {
        motor = item;
        by_card = true;
    } else if (card == NO_SESSION && credit >= price) {
        motor = item;
        hal_motor(item);
    }
    show();
}

void firmware_return(time_us now)
{
    (void)now;
    if (card == SESSION && !motor)
        card = COMPLETE;
    if (!motor) {
        to_return += credit;
        credit = 0;
    }
    show();
}

void firmware_drop(time_us now, bool fell)
{
    (void)now;
    if (by_card)
        card = fell ? FELL : JAMMED;
    else {
        credit -= fell ? price_of(motor) : 0;
        to_return += fell ? credit : 0;
        credit = fell ? 0 : credit;
        motor = 0;
    }
    show();
}
