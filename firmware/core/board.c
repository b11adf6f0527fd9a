#include "board.h"

#include "inside.h"
#include "light.h"

int bb_send(bb_board *b, int answer, uint8_t type, const uint8_t *body, size_t size) {
    if (!bb_ring_add(&b->ring, answer, type, b->sequence, b->port->clock(), body, size)) {
        return 0;
    }
    b->sequence++;
    return 1;
}

void bb_board_init(bb_board *b, const bb_port *port, const char *serial, uint8_t reason) {
    uint64_t now = port->clock();
    b->port = port;
    b->serial = serial;
    b->sequence = 0;
    b->status_tick = now + BB_IDLE_TICKS;
    b->taken_tick = now;
    b->show_until = 0;
    b->refused = b->stalls = 0;
    b->stalled = b->greeted = b->restarts = b->as_drive = 0;
    b->lit = 2;
    b->restart_tick = 0;
    b->capture.mode = 0;
    bb_records_find(&b->records, port->load, &b->figures);
    bb_decoder_init(&b->decoder);
    bb_ring_init(&b->ring);
    bb_ring_zero(&b->ring);
    uint8_t body[BB_BEGUN_SIZE];
    bb_begun m = {reason};
    bb_put_begun(body, &m);
    bb_send(b, 1, BB_BEGUN, body, sizeof body);
}

void bb_board_received(bb_board *b, const uint8_t *data, size_t size) {
    bb_frame f;
    for (size_t k = 0; k < size && !b->restarts; k++) {
        if (!bb_feed(&b->decoder, data[k], &f)) {
            continue;
        }
        if (f.verdict == BB_FRAME) {
            bb_command(b, &f);
        } else {
            b->refused = bb_sum(b->refused, 1);
        }
    }
}

static uint8_t flags_of(const bb_board *b) {
    return (uint8_t)(b->port->failed() | (b->records.damaged ? BB_FLAG_FLASH : 0u));
}

/* A damaged record is no reason to end a capture: the figures that it is read by were told before it. */
static uint8_t state_of(const bb_board *b, uint8_t flags) {
    if (b->capture.mode) {
        return flags & ~BB_FLAG_FLASH ? BB_STATE_FAULTY : BB_STATE_CAPTURING;
    }
    return flags ? BB_STATE_FAULTY : BB_STATE_IDLE;
}

static void send_status(bb_board *b) {
    bb_status m = {
        .flags = flags_of(b),
        .frames_refused = b->refused,
        .stalls = b->stalls,
        .supply_v = b->port->supply_v(),
        .temperature_c = b->port->temperature_c(),
    };
    m.state = state_of(b, m.flags);
    if (b->capture.mode) {
        m.rows = b->capture.rows;
        m.rows_lost = b->capture.rows_lost;
        m.edges_lost = b->capture.edges_lost;
    }
    uint8_t body[BB_STATUS_SIZE];
    bb_put_status(body, &m);
    bb_send(b, 0, BB_STATUS, body, sizeof body);
}

static void poll_status(bb_board *b, uint64_t now) {
    if (now < b->status_tick) {
        return;
    }
    if (b->capture.mode || !b->ring.used) { /* who does not read needs no old news */
        send_status(b);
    }
    uint64_t every = b->capture.mode ? BB_STATUS_TICKS : BB_IDLE_TICKS;
    b->status_tick += every;
    if (b->status_tick <= now) { /* the port was kept from asking: what was due before is not made good */
        b->status_tick = now + every;
    }
}

/* Counts a stall; ends a capture that nobody takes. */
static void poll_reader(bb_board *b, uint64_t now) {
    if (!b->ring.used) {
        b->taken_tick = now;
        b->stalled = 0;
    }
    uint64_t waits = now - b->taken_tick;
    if (waits >= BB_STALL_TICKS && !b->stalled) {
        b->stalled = 1;
        b->stalls = bb_sum(b->stalls, 1);
    }
    if (waits >= BB_GONE_TICKS) {
        bb_stop_capture(b, BB_REASON_HOST_GONE);
    }
}

/* Its answer is taken first, if anybody takes it. */
static void poll_restart(bb_board *b, uint64_t now) {
    if (b->restarts == 1 && (!b->ring.used || now - b->restart_tick >= BB_GONE_TICKS)) {
        b->restarts = 2;
        b->port->restart(b->as_drive);
    }
}

static void poll_light(bb_board *b, uint64_t now) {
    bb_light_state state = now < b->show_until ? BB_LIGHT_SHOWING
                           : flags_of(b)       ? BB_LIGHT_FAULTY
                           : b->capture.mode   ? BB_LIGHT_CAPTURING
                           : b->greeted        ? BB_LIGHT_GREETED
                                               : BB_LIGHT_ALONE;
    uint8_t lit = (uint8_t)bb_light(state, now);
    if (lit != b->lit) {
        b->lit = lit;
        b->port->light(lit);
    }
}

void bb_board_poll(bb_board *b) {
    uint64_t now = b->port->clock();
    if (b->restarts) {
        poll_restart(b, now);
        return;
    }
    poll_status(b, now);
    poll_reader(b, now);
    poll_light(b, now);
}

size_t bb_board_to_send(const bb_board *b, const uint8_t **data) { return bb_ring_oldest(&b->ring, data); }

void bb_board_sent(bb_board *b, size_t size) {
    if (!size) {
        return;
    }
    bb_ring_gone(&b->ring, size);
    b->taken_tick = b->port->clock();
    b->stalled = 0;
}

void bb_board_line_gone(bb_board *b) {
    bb_ring_cut(&b->ring);
    bb_decoder_init(&b->decoder);
    bb_stop_capture(b, BB_REASON_HOST_GONE);
    b->greeted = 0;
}
