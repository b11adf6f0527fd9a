#include "inside.h"

/* What a program of this firmware's users sees of it; a simulated build says so in its kind. */
#ifndef BB_BOARD_KIND
#define BB_BOARD_KIND "rp2040"
#endif
#ifndef BB_BUILD
#define BB_BUILD "0.1.0"
#endif
#define MOST_SERIAL 15

typedef struct {
    uint8_t outcome;
    uint32_t detail;
} answer;

static const answer DONE = {BB_OUTCOME_DONE, 0}, MALFORMED = {BB_OUTCOME_MALFORMED, 0},
                    NOT_NOW = {BB_OUTCOME_NOT_NOW, 0};

/* `to` holds zeros. */
static void copy_text(char *to, size_t most, const char *from) {
    for (size_t k = 0; k < most && from[k]; k++) {
        to[k] = from[k];
    }
}

static void tell(bb_board *b) {
    uint8_t body[BB_IDENTITY_SIZE];
    bb_identity i = {
        BB_LEVEL, BB_LEAST_LEVEL, BB_CLOCK_HZ, b->figures.own, BB_SAMPLED_INPUTS, BB_EDGE_INPUTS, BB_MODES,
        {0},      {0},            {0},
    };
    copy_text(i.board, sizeof i.board, BB_BOARD_KIND);
    copy_text(i.serial, MOST_SERIAL, b->serial);
    copy_text(i.build, sizeof i.build, BB_BUILD);
    bb_put_identity(body, &i);
    bb_send(b, 1, BB_IDENTITY, body, BB_IDENTITY_SIZE);
    for (size_t k = 0; k < BB_SAMPLED_INPUTS; k++) {
        bb_put_sampled(body, &b->figures.sampled[k]);
        bb_send(b, 1, BB_SAMPLED, body, BB_SAMPLED_SIZE);
    }
    for (size_t k = 0; k < BB_EDGE_INPUTS; k++) {
        bb_put_edge(body, &bb_edge_inputs[k]);
        bb_send(b, 1, BB_EDGE, body, BB_EDGE_SIZE);
    }
    for (size_t k = 0; k < BB_MODES; k++) {
        bb_put_mode(body, &bb_modes[k]);
        bb_send(b, 1, BB_MODE, body, BB_MODE_SIZE);
    }
}

static answer hello(bb_board *b, const uint8_t *body) {
    bb_hello said;
    bb_get_hello(&said, body);
    bb_stop_capture(b, BB_REASON_ASKED);
    tell(b);
    b->greeted = said.least_level <= BB_LEVEL && BB_LEAST_LEVEL <= said.level;
    return b->greeted ? DONE : (answer){BB_OUTCOME_LEVEL, BB_LEVEL};
}

static answer start(bb_board *b, const uint8_t *body) {
    if (b->capture.mode) {
        return NOT_NOW;
    }
    answer a = DONE;
    a.outcome = bb_start_capture(b, bb_get_u8(body), &a.detail);
    return a;
}

static answer stop(bb_board *b, const uint8_t *body) {
    (void)body;
    bb_stop_capture(b, BB_REASON_ASKED);
    return DONE;
}

static answer ping(bb_board *b, const uint8_t *body) {
    (void)b;
    return (answer){BB_OUTCOME_DONE, bb_get_u32(body)};
}

static answer blink(bb_board *b, const uint8_t *body) {
    b->show_until = b->port->clock() + (uint64_t)bb_get_u8(body) * BB_CLOCK_HZ;
    return DONE;
}

static answer calibrate(bb_board *b, const uint8_t *body) {
    if (b->capture.mode) {
        return NOT_NOW;
    }
    bb_calibrate c;
    bb_get_calibrate(&c, body);
    for (size_t k = 0; k < BB_SAMPLED_INPUTS; k++) {
        bb_sampled *s = &b->figures.sampled[k];
        if (s->input == c.input) {
            bb_sampled told = bb_calibrated(&c);
            if (!bb_can_be(&told)) {
                break;
            }
            *s = told;
            b->figures.own = 1;
            return DONE;
        }
    }
    return MALFORMED;
}

static answer keep(bb_board *b, const uint8_t *body) {
    (void)body;
    if (b->capture.mode) {
        return NOT_NOW;
    }
    uint32_t failure = bb_records_keep(&b->records, b->port->load, b->port->store, &b->figures);
    return failure ? (answer){BB_OUTCOME_FAILED, failure} : DONE;
}

static answer restart(bb_board *b, const uint8_t *body) {
    uint8_t drive = bb_get_u8(body);
    if (drive > 1) {
        return MALFORMED;
    }
    if (b->capture.mode) { /* nothing of it is told any more: Begun says that it is over */
        b->port->end();
        b->capture.mode = 0;
    }
    b->restarts = 1;
    b->as_drive = drive;
    b->restart_tick = b->port->clock();
    return DONE;
}

typedef struct {
    uint8_t code, early; /* early: before Hello, too */
    uint16_t size;
    answer (*act)(bb_board *, const uint8_t *);
} command;

static const command COMMANDS[] = {
    {BB_HELLO, 1, BB_HELLO_SIZE, hello},
    {BB_START, 0, BB_START_SIZE, start},
    {BB_STOP, 0, BB_STOP_SIZE, stop},
    {BB_PING, 1, BB_PING_SIZE, ping},
    {BB_BLINK, 1, BB_BLINK_SIZE, blink},
    {BB_CALIBRATE, 0, BB_CALIBRATE_SIZE, calibrate},
    {BB_KEEP, 0, BB_KEEP_SIZE, keep},
    {BB_RESTART, 1, BB_RESTART_SIZE, restart},
};

static answer answer_to(bb_board *b, const bb_frame *f) {
    for (size_t k = 0; k < sizeof COMMANDS / sizeof *COMMANDS; k++) {
        const command *c = &COMMANDS[k];
        if (c->code == f->type) {
            if (f->size != c->size) {
                return MALFORMED;
            }
            return c->early || b->greeted ? c->act(b, f->body) : NOT_NOW;
        }
    }
    return (answer){BB_OUTCOME_UNKNOWN, 0};
}

void bb_command(bb_board *b, const bb_frame *f) {
    answer a = answer_to(b, f);
    bb_reply m = {f->sequence, f->type, a.outcome, a.detail};
    uint8_t body[BB_REPLY_SIZE];
    bb_put_reply(body, &m);
    bb_send(b, 1, BB_REPLY, body, sizeof body);
}
