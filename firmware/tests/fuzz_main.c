/* Fuzzes the core, guided by coverage: orders of any kind in any order, from the bytes of the fuzzer
 * (built and run by tests/firmware/test_fuzz.py).
 *
 * What goes out is read as a program reads it, and held against what went in: every frame in order, every
 * row what was sampled there, every edge its own, as many lost between two as are told, every command
 * answered once. A calibration record may be anything, with its checksum made right or not.
 */
#include <stdio.h>
#include <stdlib.h>

#include "../core/inside.h"

#define MUST(x) ((x) ? (void)0 : broken(#x, __LINE__))
static void broken(const char *what, int line) {
    fprintf(stderr, "line %d: not so: %s\n", line, what);
    abort();
}

/* --- what comes from the fuzzer */

static const uint8_t *from;
static size_t left;

static uint32_t number(size_t size) {
    uint32_t v = 0;
    for (size_t k = 0; k < size; k++) {
        v = v << 8 | (left ? *from : 0u);
        if (left) {
            from++;
            left--;
        }
    }
    return v;
}

/* --- the chip */

static bb_board board;
static uint64_t now;
static uint8_t flash[BB_COPIES][BB_RECORD_SIZE], failed_flags;
static uint32_t begin_fails, load_fails, torn;
static int wants_restart;

/* --- what was given, by capture */

#define MOST_GIVEN 2048
typedef struct {
    uint64_t tick;
    uint32_t lost; /* 0: an edge */
    int rising;
} given_edge;
typedef struct {
    uint64_t tick, rows, ends; /* rows given; rows when it had ended */
    uint8_t mode;
    size_t count[BB_EDGE_INPUTS];
    given_edge edges[BB_EDGE_INPUTS][MOST_GIVEN];
} given_capture;
#define CAPTURES 8
static given_capture captures[CAPTURES];
static size_t capture_count;
static uint64_t edge_clock[BB_EDGE_INPUTS];

typedef struct {
    uint32_t to;
    uint8_t command;
    int may_miss;
} given_command;
#define COMMANDS 512
static given_command commands[COMMANDS];
static size_t command_count, answered;

/* --- the program's side */

static bb_decoder reader;
static uint32_t next_sequence;
static int half_comes, of_before;
static uint64_t last_clock, next_row;
static size_t read_captures, read_edges[BB_EDGE_INPUTS];
static int in_capture;

static uint16_t sampled(size_t capture, uint64_t row, size_t input) {
    uint32_t x = (uint32_t)row * 2654435761u + (uint32_t)input * 40503u + (uint32_t)capture * 977u;
    return (uint16_t)(x >> 13 & 0xFFFu);
}

static uint64_t clock_now(void) { return now; }
static uint32_t begin(const bb_mode *mode, uint64_t *tick) {
    *tick = now + 17;
    if (begin_fails || capture_count == CAPTURES) {
        return begin_fails ? begin_fails : 1;
    }
    given_capture *g = &captures[capture_count++];
    memset(g, 0, sizeof *g);
    g->tick = *tick;
    g->mode = mode->mode;
    g->ends = UINT64_MAX;
    for (size_t k = 0; k < BB_EDGE_INPUTS; k++) {
        edge_clock[k] = *tick;
    }
    return 0;
}
static void end(void) { captures[capture_count - 1].ends = captures[capture_count - 1].rows; }
static uint32_t load(uint8_t copy, uint8_t *to, size_t size) {
    MUST(copy < BB_COPIES && size == BB_RECORD_SIZE);
    memcpy(to, flash[copy], size);
    return load_fails;
}
static uint32_t store(uint8_t copy, const uint8_t *data, size_t size) {
    MUST(copy < BB_COPIES && size == BB_RECORD_SIZE);
    size_t many = torn < size ? torn : size;
    memset(flash[copy], 0xFF, size);
    memcpy(flash[copy], data, many);
    return many < size && torn % 2; /* the port may notice it or not */
}
static void restart(int as_drive) {
    MUST(as_drive == 0 || as_drive == 1);
    wants_restart = 1;
}
static void light(int on) { MUST(on == 0 || on == 1); }
static float supply_v(void) { return 5.0f; }
static float temperature_c(void) { return 25.0f; }
static uint8_t failed(void) { return failed_flags; }
static const bb_port PORT = {clock_now, begin, end,      load,          store,
                             restart,   light, supply_v, temperature_c, failed};

static void read_samples(const bb_frame *f) {
    bb_samples m;
    MUST(f->size >= BB_SAMPLES_SIZE && in_capture);
    bb_get_samples(&m, f->body);
    const given_capture *g = &captures[read_captures - 1];
    size_t inputs = g->mode == 1 ? 2 : 3, samples = m.rows * inputs;
    MUST(m.inputs == inputs && m.rows && m.first >= next_row && m.first + m.rows <= g->rows);
    MUST(f->size == BB_SAMPLES_SIZE + (samples * 12 + 7) / 8);
    const uint8_t *p = f->body + BB_SAMPLES_SIZE;
    for (size_t k = 0; k < samples; k++) {
        const uint8_t *at = p + k / 2 * 3;
        unsigned v = k % 2 ? at[1] >> 4 | (unsigned)at[2] << 4 : at[0] | (at[1] & 15u) << 8;
        MUST(v == sampled(read_captures - 1, m.first + k / inputs, k % inputs));
    }
    next_row = m.first + m.rows;
}

static void read_edges_of(const bb_frame *f) {
    bb_edges m;
    MUST(f->size > BB_EDGES_SIZE && in_capture);
    bb_get_edges(&m, f->body);
    size_t which = m.input == BB_INPUT_INDEX ? 0 : 1, at = BB_EDGES_SIZE;
    MUST(m.input == BB_INPUT_INDEX || m.input == BB_INPUT_ENCODER);
    given_capture *g = &captures[read_captures - 1];
    uint64_t tick = m.first;
    for (uint32_t k = 0; k < m.count; k++) {
        uint64_t twice = 0;
        unsigned shift = 0;
        do {
            MUST(at < f->size && shift < 63);
            twice |= (uint64_t)(f->body[at] & 0x7F) << shift;
            shift += 7;
        } while (f->body[at++] & 0x80);
        MUST(k || twice < 2);
        tick += twice >> 1;
        uint64_t lost = 0;
        size_t *n = &read_edges[which];
        while (*n < g->count[which] &&
               (g->edges[which][*n].lost || g->edges[which][*n].tick - g->tick != tick)) {
            lost += g->edges[which][*n].lost ? g->edges[which][*n].lost : 1u;
            ++*n;
        }
        MUST(*n < g->count[which]); /* else it was never given */
        MUST(g->edges[which][*n].rising == (int)(twice & 1));
        MUST(k ? !lost : m.lost == (lost < 65535 ? lost : 65535));
        ++*n;
    }
    MUST(at == f->size);
}

static void read_reply(const bb_frame *f) {
    bb_reply m;
    MUST(f->size == BB_REPLY_SIZE);
    bb_get_reply(&m, f->body);
    while (answered < command_count && commands[answered].may_miss && commands[answered].to != m.to) {
        answered++;
    }
    MUST(answered < command_count && commands[answered].to == m.to);
    MUST(commands[answered].command == m.command && m.outcome <= BB_OUTCOME_FAILED);
    answered++;
}

static void read_frame(const bb_frame *f) {
    if (f->verdict != BB_FRAME) {
        MUST(half_comes); /* half sent as the line went */
        half_comes = 0;
        return;
    }
    if (f->type == BB_BEGUN) {
        MUST(f->sequence == 0);
    }
    MUST(f->sequence == next_sequence && f->clock >= last_clock);
    next_sequence++;
    last_clock = f->clock;
    switch (f->type) {
    case BB_IDENTITY: MUST(f->size == BB_IDENTITY_SIZE); break;
    case BB_SAMPLED: {
        bb_sampled s;
        MUST(f->size == BB_SAMPLED_SIZE);
        bb_get_sampled(&s, f->body);
        MUST(bb_can_be(&s)); /* whatever the record was */
        break;
    }
    case BB_EDGE: MUST(f->size == BB_EDGE_SIZE); break;
    case BB_MODE: MUST(f->size == BB_MODE_SIZE); break;
    case BB_STARTED:
        MUST(f->size == BB_STARTED_SIZE && !in_capture && read_captures < capture_count);
        MUST(bb_get_u64(f->body + 1) == captures[read_captures].tick);
        MUST(f->body[0] == captures[read_captures].mode);
        read_captures++;
        in_capture = 1;
        next_row = 0;
        memset(read_edges, 0, sizeof read_edges);
        break;
    case BB_SAMPLES: read_samples(f); break;
    case BB_EDGES: read_edges_of(f); break;
    case BB_STATUS: MUST(f->size == BB_STATUS_SIZE); break;
    case BB_STOPPED:
        MUST(f->size == BB_STOPPED_SIZE && in_capture);
        MUST(bb_get_u64(f->body + 1) == captures[read_captures - 1].ends);
        in_capture = 0;
        break;
    case BB_BEGUN: MUST(f->size == BB_BEGUN_SIZE); break;
    case BB_REPLY: read_reply(f); break;
    default: broken("a frame that a board sends", __LINE__);
    }
}

static void take(size_t most) {
    const uint8_t *data;
    for (size_t part; most && (part = bb_board_to_send(&board, &data)) != 0; most -= part) {
        part = part < most ? part : most;
        for (size_t k = 0; k < part; k++) {
            bb_frame f;
            if (!bb_feed(&reader, data[k], &f)) {
                continue;
            }
            if (of_before) { /* as the board began anew: whole or cut, its zero is the new one's */
                of_before = 0;
            } else {
                read_frame(&f);
            }
        }
        bb_board_sent(&board, part);
    }
}

/* --- orders */

static void come_up(uint8_t reason) {
    now = 0;
    wants_restart = 0;
    half_comes = 0;
    of_before = reader.size != 0;
    next_sequence = 0;
    last_clock = 0;
    in_capture = 0;
    command_count = answered = capture_count = read_captures = 0;
    bb_board_init(&board, &PORT, "F", reason);
}

static void give_frame(void) {
    static uint32_t sequence;
    static const uint8_t KINDS[] = {BB_HELLO, BB_HELLO, BB_START,     BB_START, BB_STOP,    BB_PING,
                                    BB_BLINK, BB_KEEP,  BB_CALIBRATE, BB_KEEP,  BB_RESTART, 0};
    static const uint8_t SIZES[] = {4, 4, 1, 1, 0, 4, 1, 0, 25, 0, 1, 9};
    if (command_count == COMMANDS) {
        return;
    }
    uint8_t body[64], frame[BB_MOST_FRAME];
    uint32_t kind = number(1), k = kind % sizeof KINDS;
    uint8_t type = KINDS[k] ? KINDS[k] : (uint8_t)number(1);
    size_t size = kind > 240 ? number(1) % sizeof body : SIZES[k];
    for (size_t at = 0; at < size; at++) {
        body[at] = (uint8_t)number(1);
    }
    if (type == BB_HELLO && kind < 200) {
        memcpy(body, "\1\0\1\0", 4); /* in the usual way */
    }
    if (type == BB_START && kind < 200 && size) {
        body[0] = (uint8_t)(1 + body[0] % 2);
    }
    if (type == BB_CALIBRATE && kind < 200 && size == 25) { /* figures that can be */
        bb_calibrate c = {body[0], 0.5f, 1.0f, 1e-6f, 1e-7f, 0.1f, 0.1f};
        bb_put_calibrate(body, &c);
    }
    size = bb_encode(frame, type, sequence, 0, body, size);
    if (!board.restarts && !wants_restart) {
        commands[command_count++] =
            (given_command){sequence, type, board.ring.used > BB_RING_SIZE - 4000};
    }
    sequence++;
    bb_board_received(&board, (const uint8_t *)"", 1); /* whatever stood before it is over */
    bb_board_received(&board, frame, size);
}

static void give_rows(void) {
    static uint16_t samples[3 * 1024];
    size_t rows = number(1) * 4 + number(1) % 4;
    if (board.capture.mode) {
        given_capture *g = &captures[capture_count - 1];
        size_t inputs = board.capture.mode->inputs;
        for (size_t k = 0; k < rows * inputs; k++) {
            samples[k] = sampled(capture_count - 1, g->rows + k / inputs, k % inputs);
        }
        g->rows += rows;
    }
    bb_board_rows(&board, samples, rows);
}

static void give_edges(void) {
    size_t which = number(1) % BB_EDGE_INPUTS;
    uint8_t input = bb_edge_inputs[which].input;
    uint32_t how = number(1), step = number(2), many = 1 + (how >> 2) % 40;
    while (many--) {
        given_capture *g = capture_count ? &captures[capture_count - 1] : 0;
        int there = board.capture.mode != 0;
        if (there && g->count[which] == MOST_GIVEN) {
            return;
        }
        if (how % 4 == 3) {
            uint32_t lost = step + 1;
            if (there) {
                g->edges[which][g->count[which]++] = (given_edge){0, lost, 0};
            }
            bb_board_edges_lost(&board, input, lost);
            return;
        }
        int back = how % 4 == 2 && edge_clock[which] > (there ? g->tick : 0);
        uint64_t tick = back ? edge_clock[which] - 1 : edge_clock[which] + 1 + ((uint64_t)step << how % 32);
        if (there) {
            g->edges[which][g->count[which]++] = (given_edge){tick, back ? 1u : 0u, (int)(how & 1)};
        }
        if (!back) {
            edge_clock[which] = tick;
        }
        bb_board_edge(&board, input, tick, (int)(how & 1));
    }
}

static void give_flash(void) {
    uint8_t how = (uint8_t)number(1), *to = flash[how % 2];
    if (how & 2) { /* a sound one with a few bytes changed */
        bb_figures f;
        bb_design_figures(&f);
        f.own = how >> 7;
        bb_put_record(to, number(4), &f);
        for (uint32_t k = number(1) % 8; k; k--) {
            uint32_t at = number(1);
            to[at] = (uint8_t)number(1);
        }
    } else {
        for (size_t k = 0; k < BB_RECORD_SIZE; k++) {
            to[k] = (uint8_t)number(1);
        }
    }
    if (how & 4) {
        bb_put_u32(to + BB_RECORD_SIZE - 4, bb_crc32(0, to, BB_RECORD_SIZE - 4));
    }
}

/* The frame that is cut is taken for read, so that what follows it can be held against what was given. */
static void line_gone(void) {
    const bb_ring *r = &board.ring;
    if (r->within && r->data[r->tail]) {
        static bb_decoder whole;
        bb_frame f;
        size_t at = r->tail;
        whole = reader;
        while (!bb_feed(&whole, r->data[at], &f)) {
            at = at + 1 < BB_RING_LENGTH ? at + 1 : 0;
        }
        read_frame(&f);
        half_comes = 1;
    }
    bb_board_line_gone(&board);
}

static void order(void) {
    uint8_t raw[256];
    size_t size;
    switch (number(1) % 16) {
    case 0:
        size = number(1);
        for (size_t k = 0; k < size; k++) {
            raw[k] = (uint8_t)number(1);
        }
        bb_board_received(&board, raw, size);
        break;
    case 1:
    case 2:
    case 3: give_frame(); break;
    case 4:
    case 5: give_rows(); break;
    case 6:
    case 7: give_edges(); break;
    case 8: {
        uint32_t rows = number(2);
        if (board.capture.mode) {
            captures[capture_count - 1].rows += rows;
        }
        bb_board_rows_lost(&board, rows);
        break;
    }
    case 9: now += (uint64_t)number(2) << number(1) % 16; break;
    case 10: take(number(2)); break;
    case 11:
        line_gone();
        break;
    case 12:
        failed_flags = (uint8_t)number(1);
        begin_fails = number(1) % 4 ? 0 : 7;
        load_fails = number(1) % 4 ? 0 : 8;
        torn = number(2);
        break;
    case 13:
        give_flash();
        come_up(BB_REASON_WATCHDOG);
        break;
    case 14: /* very many rows: the ring fills */
        for (int k = 0; k < 40 && left; k++) {
            give_rows();
        }
        break;
    default: break;
    }
    bb_board_poll(&board);
    if (wants_restart) {
        come_up(BB_REASON_ASKED);
    }
    MUST(board.ring.used <= BB_RING_SIZE && board.ring.tail < BB_RING_LENGTH);
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    from = data;
    left = size;
    memset(flash, 0xFF, sizeof flash);
    failed_flags = 0;
    begin_fails = load_fails = 0;
    torn = BB_RECORD_SIZE;
    bb_decoder_init(&reader);
    come_up(BB_REASON_POWER);
    while (left) {
        order();
    }
    take(SIZE_MAX);
    while (answered < command_count && commands[answered].may_miss) {
        answered++;
    }
    MUST(answered == command_count);
    return 0;
}
