#include "inside.h"

void bb_pack(uint8_t *to, size_t at, const uint16_t *samples, size_t count) {
    const uint16_t *end = samples + count;
    to += at / 2 * 3;
    if (at % 2 && count) {
        unsigned second = *samples++;
        to[1] = (uint8_t)(to[1] | (second & 15u) << 4);
        to[2] = (uint8_t)(second >> 4);
        to += 3;
    }
    while (end - samples >= 2) {
        unsigned first = samples[0], second = samples[1];
        to[0] = (uint8_t)first;
        to[1] = (uint8_t)((first >> 8 & 15u) | (second & 15u) << 4);
        to[2] = (uint8_t)(second >> 4);
        to += 3;
        samples += 2;
    }
    if (samples != end) {
        to[0] = (uint8_t)*samples;
        to[1] = (uint8_t)(*samples >> 8 & 15u);
    }
}

/* Edges before a tick since Started. */
static void send_edges(bb_board *b, uint64_t end) {
    bb_capture *c = &b->capture;
    for (size_t k = 0; k < BB_EDGE_INPUTS; k++) {
        bb_stamps *s = &c->stamps[k];
        uint16_t count;
        size_t size;
        while ((size = bb_stamps_take(s, bb_edge_inputs[k].input, end, c->body, &count)) != 0) {
            int sent = bb_send(b, 0, BB_EDGES, c->body, size);
            bb_stamps_told(s, sent, count);
            c->edges_lost = sent ? c->edges_lost : bb_sum(c->edges_lost, count);
        }
    }
}

/* Sends the block as far as it is filled, then the edges up to its end. */
static void close_block(bb_board *b) {
    bb_capture *c = &b->capture;
    if (!c->pending) {
        return;
    }
    uint32_t rows = c->pending;
    bb_samples m = {c->rows - rows, (uint16_t)rows, c->mode->inputs};
    bb_put_samples(c->body, &m);
    c->pending = 0;
    size_t samples = (size_t)rows * c->mode->inputs;
    if (!bb_send(b, 0, BB_SAMPLES, c->body, BB_SAMPLES_SIZE + (samples * 3 + 1) / 2)) {
        c->rows_lost += rows;
    }
    send_edges(b, c->rows * c->mode->row_ticks / c->mode->row_parts);
}

void bb_board_rows(bb_board *b, const uint16_t *samples, size_t rows) {
    bb_capture *c = &b->capture;
    if (!c->mode) {
        return;
    }
    const size_t inputs = c->mode->inputs, block = BB_BLOCK_SAMPLES / inputs;
    while (rows) {
        size_t many = block - c->pending;
        if (many > rows) {
            many = rows;
        }
        bb_pack(c->body + BB_SAMPLES_SIZE, c->pending * inputs, samples, many * inputs);
        samples += many * inputs;
        rows -= many;
        c->pending += (uint32_t)many;
        c->rows += many;
        if (c->pending == block) {
            close_block(b);
        }
    }
}

void bb_board_rows_lost(bb_board *b, uint64_t rows) {
    bb_capture *c = &b->capture;
    if (!c->mode || !rows) {
        return;
    }
    close_block(b); /* what comes next does not follow it */
    c->rows += rows;
    c->rows_lost += rows;
}

static bb_stamps *stamps_of(bb_board *b, uint8_t input) {
    for (size_t k = 0; b->capture.mode && k < BB_EDGE_INPUTS; k++) {
        if (bb_edge_inputs[k].input == input) {
            return &b->capture.stamps[k];
        }
    }
    return 0;
}

void bb_board_edge(bb_board *b, uint8_t input, uint64_t tick, int rising) {
    bb_capture *c = &b->capture;
    bb_stamps *s = stamps_of(b, input);
    if (s && tick >= c->tick) { /* before row 0 there is no capture */
        c->edges_lost = bb_sum(c->edges_lost, bb_stamps_add(s, tick - c->tick, rising));
    }
}

void bb_board_edges_lost(bb_board *b, uint8_t input, uint32_t count) {
    bb_stamps *s = stamps_of(b, input);
    if (s) {
        bb_stamps_lose(s, count);
        b->capture.edges_lost = bb_sum(b->capture.edges_lost, count);
    }
}

uint8_t bb_start_capture(bb_board *b, uint8_t number, uint32_t *detail) {
    bb_capture *c = &b->capture;
    const bb_mode *mode = 0;
    for (size_t k = 0; k < BB_MODES; k++) {
        if (bb_modes[k].mode == number) {
            mode = &bb_modes[k];
        }
    }
    if (!mode) {
        return BB_OUTCOME_MALFORMED;
    }
    if (BB_RING_SIZE - b->ring.used < 2 * BB_STARTED_SIZE + 2 * BB_REPLY_SIZE + 2 * (BB_HEAD + BB_CRC)) {
        *detail = BB_NO_ROOM;
        return BB_OUTCOME_FAILED;
    }
    uint64_t tick = 0;
    *detail = b->port->begin(mode, &tick);
    if (*detail) {
        return BB_OUTCOME_FAILED;
    }
    c->mode = mode;
    c->tick = tick;
    c->rows = c->rows_lost = 0;
    c->edges_lost = c->pending = 0;
    for (size_t k = 0; k < BB_EDGE_INPUTS; k++) {
        bb_stamps_init(&c->stamps[k]);
    }
    b->status_tick = b->port->clock() + BB_STATUS_TICKS;
    uint8_t body[BB_STARTED_SIZE];
    bb_started m = {mode->mode, tick};
    bb_put_started(body, &m);
    bb_send(b, 1, BB_STARTED, body, sizeof body);
    return BB_OUTCOME_DONE;
}

void bb_stop_capture(bb_board *b, uint8_t reason) {
    bb_capture *c = &b->capture;
    if (!c->mode) {
        return;
    }
    b->port->end();
    close_block(b);
    c->mode = 0;
    b->status_tick = b->port->clock() + BB_IDLE_TICKS;
    uint8_t body[BB_STOPPED_SIZE];
    bb_stopped m = {reason, c->rows};
    bb_put_stopped(body, &m);
    bb_send(b, 1, BB_STOPPED, body, sizeof body);
}
