/* The messages of the wire. Made by wire/generate.py of protocol.toml: edit that. */
#ifndef BB_PROTOCOL_H
#define BB_PROTOCOL_H

#include <stddef.h>
#include <stdint.h>
#include <string.h>

#define BB_LEVEL 1
#define BB_LEAST_LEVEL 1
#define BB_HEAD 13
#define BB_CRC 4
#define BB_MOST_BODY 1000
/* USB vendor number: shared by open projects. */
#define BB_USB_VENDOR 0x1209
/* USB product number: the one for tests, until one is registered; the product's name is looked at too. */
#define BB_USB_PRODUCT 0x0001

/* What a sampled or an edge input is connected to. */
enum bb_input {
    BB_INPUT_POINTS_V = 1, /* points' terminal to ground */
    BB_INPUT_CONTACT_V = 2, /* the same on a clamped range, for the contact drop */
    BB_INPUT_CURRENT_A = 3, /* current probe */
    BB_INPUT_SUPPLY_V = 4, /* coil's feed terminal */
    BB_INPUT_CONDENSER_V = 5, /* condenser alone */
    BB_INPUT_SPARK = 6, /* clip-on pickup on a plug lead */
    BB_INPUT_INDEX = 16, /* one pulse a revolution */
    BB_INPUT_ENCODER = 17, /* many pulses a revolution */
};

/* What the board is doing. */
enum bb_state {
    BB_STATE_IDLE = 0, /* waiting for a command */
    BB_STATE_CAPTURING = 1, /* sampling and sending */
    BB_STATE_FAULTY = 2, /* a self-check failed; flags of Status say which */
};

/* What became of a command. */
enum bb_outcome {
    BB_OUTCOME_DONE = 0, /* done */
    BB_OUTCOME_UNKNOWN = 1, /* no such command at this level */
    BB_OUTCOME_MALFORMED = 2, /* its length or a value in it is wrong */
    BB_OUTCOME_NOT_NOW = 3, /* not while capturing, or not before Hello */
    BB_OUTCOME_LEVEL = 4, /* board and program have no level in common */
    BB_OUTCOME_FAILED = 5, /* tried, and failed: detail says where */
};

/* Why a capture ended, or the board began anew. */
enum bb_reason {
    BB_REASON_ASKED = 0, /* by a command */
    BB_REASON_POWER = 1, /* power came up */
    BB_REASON_WATCHDOG = 2, /* the firmware hung and was restarted */
    BB_REASON_HOST_GONE = 3, /* nobody has read for too long */
    BB_REASON_OVERRUN = 4, /* the converter's memory was not emptied in time */
};

enum bb_code {
    BB_IDENTITY = 0x01,
    BB_SAMPLED = 0x02,
    BB_EDGE = 0x03,
    BB_MODE = 0x04,
    BB_STARTED = 0x10,
    BB_SAMPLES = 0x11,
    BB_EDGES = 0x12,
    BB_STATUS = 0x13,
    BB_STOPPED = 0x14,
    BB_BEGUN = 0x15,
    BB_REPLY = 0x1F,
    BB_HELLO = 0x81,
    BB_START = 0x82,
    BB_STOP = 0x83,
    BB_PING = 0x84,
    BB_BLINK = 0x85,
    BB_CALIBRATE = 0x86,
    BB_KEEP = 0x87,
    BB_RESTART = 0x88,
};

static inline void bb_put_u8(uint8_t *to, uint8_t v) { to[0] = v; }
static inline void bb_put_u16(uint8_t *to, uint16_t v) { to[0] = (uint8_t)v; to[1] = (uint8_t)(v >> 8); }
static inline void bb_put_u32(uint8_t *to, uint32_t v) {
    bb_put_u16(to, (uint16_t)v);
    bb_put_u16(to + 2, (uint16_t)(v >> 16));
}
static inline void bb_put_u64(uint8_t *to, uint64_t v) {
    bb_put_u32(to, (uint32_t)v);
    bb_put_u32(to + 4, (uint32_t)(v >> 32));
}
static inline void bb_put_f32(uint8_t *to, float v) {
    uint32_t bits;
    memcpy(&bits, &v, 4);
    bb_put_u32(to, bits);
}
static inline uint8_t bb_get_u8(const uint8_t *from) { return from[0]; }
static inline uint16_t bb_get_u16(const uint8_t *from) { return (uint16_t)(from[0] | from[1] << 8); }
static inline uint32_t bb_get_u32(const uint8_t *from) {
    return bb_get_u16(from) | (uint32_t)bb_get_u16(from + 2) << 16;
}
static inline uint64_t bb_get_u64(const uint8_t *from) {
    return bb_get_u32(from) | (uint64_t)bb_get_u32(from + 4) << 32;
}
static inline float bb_get_f32(const uint8_t *from) {
    uint32_t bits = bb_get_u32(from);
    float v;
    memcpy(&v, &bits, 4);
    return v;
}

   /* Answer to Hello: who the board is. So many Sampled, Edge and Mode messages follow. */
#define BB_IDENTITY_SIZE 76
typedef struct {
    uint16_t level; /* protocol level of the firmware */
    uint16_t least_level; /* oldest level it still speaks */
    uint32_t clock_hz; /* ticks of the board clock a second: frames, edges, capture start (Hz) */
    uint8_t calibrated; /* 1: scales from a calibration of this board, 0: those of the design */
    uint8_t sampled; /* sampled inputs */
    uint8_t edges; /* edge inputs */
    uint8_t modes; /* capture modes */
    char board[16]; /* kind of board */
    char serial[16]; /* serial number */
    char build[32]; /* build of the firmware */
} bb_identity;
static inline void bb_put_identity(uint8_t *to, const bb_identity *m) {
    bb_put_u16(to + 0, m->level);
    bb_put_u16(to + 2, m->least_level);
    bb_put_u32(to + 4, m->clock_hz);
    bb_put_u8(to + 8, m->calibrated);
    bb_put_u8(to + 9, m->sampled);
    bb_put_u8(to + 10, m->edges);
    bb_put_u8(to + 11, m->modes);
    memcpy(to + 12, m->board, 16);
    memcpy(to + 28, m->serial, 16);
    memcpy(to + 44, m->build, 32);
}
static inline void bb_get_identity(bb_identity *m, const uint8_t *from) {
    m->level = bb_get_u16(from + 0);
    m->least_level = bb_get_u16(from + 2);
    m->clock_hz = bb_get_u32(from + 4);
    m->calibrated = bb_get_u8(from + 8);
    m->sampled = bb_get_u8(from + 9);
    m->edges = bb_get_u8(from + 10);
    m->modes = bb_get_u8(from + 11);
    memcpy(m->board, from + 12, 16);
    memcpy(m->serial, from + 28, 16);
    memcpy(m->build, from + 44, 32);
}

   /* One sampled input: value = zero + scale * count. */
#define BB_SAMPLED_SIZE 26
typedef struct {
    uint8_t input; /* which (Input) */
    uint8_t bits; /* of the converter: counts lie in 0 to 2^bits - 1 */
    float scale; /* value of one count (unit a count) */
    float zero; /* value of count 0 (unit) */
    float delay_s; /* delay of the front end: how late a step shows at half its height (s) */
    float u_delay_s; /* standard uncertainty of its difference between opening and closing (s) */
    float u_gain; /* standard uncertainty of the scale; negative: not stated (share) */
    float u_zero; /* standard uncertainty of the zero; negative: not stated (unit) */
} bb_sampled;
static inline void bb_put_sampled(uint8_t *to, const bb_sampled *m) {
    bb_put_u8(to + 0, m->input);
    bb_put_u8(to + 1, m->bits);
    bb_put_f32(to + 2, m->scale);
    bb_put_f32(to + 6, m->zero);
    bb_put_f32(to + 10, m->delay_s);
    bb_put_f32(to + 14, m->u_delay_s);
    bb_put_f32(to + 18, m->u_gain);
    bb_put_f32(to + 22, m->u_zero);
}
static inline void bb_get_sampled(bb_sampled *m, const uint8_t *from) {
    m->input = bb_get_u8(from + 0);
    m->bits = bb_get_u8(from + 1);
    m->scale = bb_get_f32(from + 2);
    m->zero = bb_get_f32(from + 6);
    m->delay_s = bb_get_f32(from + 10);
    m->u_delay_s = bb_get_f32(from + 14);
    m->u_gain = bb_get_f32(from + 18);
    m->u_zero = bb_get_f32(from + 22);
}

   /* One edge input. */
#define BB_EDGE_SIZE 7
typedef struct {
    uint8_t input; /* which (Input) */
    uint16_t resolution_ticks; /* width of a time stamp's step (ticks) */
    float delay_s; /* delay of the front end, the same in both directions (s) */
} bb_edge;
static inline void bb_put_edge(uint8_t *to, const bb_edge *m) {
    bb_put_u8(to + 0, m->input);
    bb_put_u16(to + 1, m->resolution_ticks);
    bb_put_f32(to + 3, m->delay_s);
}
static inline void bb_get_edge(bb_edge *m, const uint8_t *from) {
    m->input = bb_get_u8(from + 0);
    m->resolution_ticks = bb_get_u16(from + 1);
    m->delay_s = bb_get_f32(from + 3);
}

   /* One capture mode: inputs sampled in turn. Row n is sampled from n * row_ticks / row_parts on.
   */
#define BB_MODE_SIZE 17
typedef struct {
    uint8_t mode; /* its number, for Start */
    uint8_t inputs; /* sampled inputs in a row */
    uint8_t first; /* sampled first (Input) */
    uint8_t second; /* sampled second; 0: none (Input) */
    uint8_t third; /* sampled third; 0: none (Input) */
    uint32_t row_ticks; /* ticks of row_parts rows (ticks) */
    uint32_t row_parts; /* see row_ticks */
    float step_ticks; /* from one input of a row to the next (ticks) */
} bb_mode;
static inline void bb_put_mode(uint8_t *to, const bb_mode *m) {
    bb_put_u8(to + 0, m->mode);
    bb_put_u8(to + 1, m->inputs);
    bb_put_u8(to + 2, m->first);
    bb_put_u8(to + 3, m->second);
    bb_put_u8(to + 4, m->third);
    bb_put_u32(to + 5, m->row_ticks);
    bb_put_u32(to + 9, m->row_parts);
    bb_put_f32(to + 13, m->step_ticks);
}
static inline void bb_get_mode(bb_mode *m, const uint8_t *from) {
    m->mode = bb_get_u8(from + 0);
    m->inputs = bb_get_u8(from + 1);
    m->first = bb_get_u8(from + 2);
    m->second = bb_get_u8(from + 3);
    m->third = bb_get_u8(from + 4);
    m->row_ticks = bb_get_u32(from + 5);
    m->row_parts = bb_get_u32(from + 9);
    m->step_ticks = bb_get_f32(from + 13);
}

   /* A capture has begun. Row 0 is sampled at this tick; rows, edges and losses are counted from
   here. */
#define BB_STARTED_SIZE 9
typedef struct {
    uint8_t mode; /* as in Start */
    uint64_t tick; /* board clock at row 0 (ticks) */
} bb_started;
static inline void bb_put_started(uint8_t *to, const bb_started *m) {
    bb_put_u8(to + 0, m->mode);
    bb_put_u64(to + 1, m->tick);
}
static inline void bb_get_started(bb_started *m, const uint8_t *from) {
    m->mode = bb_get_u8(from + 0);
    m->tick = bb_get_u64(from + 1);
}

   /* Consecutive rows. Rows between the end of one message and the first of the next are lost.
   Edges up to the end of these rows are sent before the next Samples. */
#define BB_SAMPLES_SIZE 11
typedef struct {
    uint64_t first; /* number of the first row since Started (rows) */
    uint16_t rows; /* how many */
    uint8_t inputs; /* samples a row */
} bb_samples;
static inline void bb_put_samples(uint8_t *to, const bb_samples *m) {
    bb_put_u64(to + 0, m->first);
    bb_put_u16(to + 8, m->rows);
    bb_put_u8(to + 10, m->inputs);
}
static inline void bb_get_samples(bb_samples *m, const uint8_t *from) {
    m->first = bb_get_u64(from + 0);
    m->rows = bb_get_u16(from + 8);
    m->inputs = bb_get_u8(from + 10);
}

   /* Edges of one input, in time order. */
#define BB_EDGES_SIZE 13
typedef struct {
    uint8_t input; /* which (Input) */
    uint16_t count; /* how many */
    uint16_t lost; /* edges lost before the first of these, 65535: that many or more */
    uint64_t first; /* board clock of the first, since the tick of Started (ticks) */
} bb_edges;
static inline void bb_put_edges(uint8_t *to, const bb_edges *m) {
    bb_put_u8(to + 0, m->input);
    bb_put_u16(to + 1, m->count);
    bb_put_u16(to + 3, m->lost);
    bb_put_u64(to + 5, m->first);
}
static inline void bb_get_edges(bb_edges *m, const uint8_t *from) {
    m->input = bb_get_u8(from + 0);
    m->count = bb_get_u16(from + 1);
    m->lost = bb_get_u16(from + 3);
    m->first = bb_get_u64(from + 5);
}

   /* State and losses, ten times a second while capturing, once a second else. */
#define BB_STATUS_SIZE 38
typedef struct {
    uint8_t state; /* what it is doing (State) */
    uint8_t flags; /* self-checks that failed: bit 0 converter, 1 clock, 2 flash, 3 supply */
    uint64_t rows; /* sampled since Started (rows) */
    uint64_t rows_lost; /* of these not sent (rows) */
    uint32_t edges_lost; /* edges not sent */
    uint32_t frames_refused; /* frames from the program that were not in order */
    uint32_t stalls; /* times the program took nothing for 50 ms */
    float supply_v; /* the board's own supply (V) */
    float temperature_c; /* of the chip (deg C) */
} bb_status;
static inline void bb_put_status(uint8_t *to, const bb_status *m) {
    bb_put_u8(to + 0, m->state);
    bb_put_u8(to + 1, m->flags);
    bb_put_u64(to + 2, m->rows);
    bb_put_u64(to + 10, m->rows_lost);
    bb_put_u32(to + 18, m->edges_lost);
    bb_put_u32(to + 22, m->frames_refused);
    bb_put_u32(to + 26, m->stalls);
    bb_put_f32(to + 30, m->supply_v);
    bb_put_f32(to + 34, m->temperature_c);
}
static inline void bb_get_status(bb_status *m, const uint8_t *from) {
    m->state = bb_get_u8(from + 0);
    m->flags = bb_get_u8(from + 1);
    m->rows = bb_get_u64(from + 2);
    m->rows_lost = bb_get_u64(from + 10);
    m->edges_lost = bb_get_u32(from + 18);
    m->frames_refused = bb_get_u32(from + 22);
    m->stalls = bb_get_u32(from + 26);
    m->supply_v = bb_get_f32(from + 30);
    m->temperature_c = bb_get_f32(from + 34);
}

   /* The capture has ended; nothing of it follows. */
#define BB_STOPPED_SIZE 9
typedef struct {
    uint8_t reason; /* why (Reason) */
    uint64_t rows; /* sampled in all (rows) */
} bb_stopped;
static inline void bb_put_stopped(uint8_t *to, const bb_stopped *m) {
    bb_put_u8(to + 0, m->reason);
    bb_put_u64(to + 1, m->rows);
}
static inline void bb_get_stopped(bb_stopped *m, const uint8_t *from) {
    m->reason = bb_get_u8(from + 0);
    m->rows = bb_get_u64(from + 1);
}

   /* The first frame after a start or restart of the firmware, sequence 0: what was captured before
   is over. A zero byte is sent before it, so that it is not taken for the rest of a frame cut
   short. */
#define BB_BEGUN_SIZE 1
typedef struct {
    uint8_t reason; /* why (Reason) */
} bb_begun;
static inline void bb_put_begun(uint8_t *to, const bb_begun *m) {
    bb_put_u8(to + 0, m->reason);
}
static inline void bb_get_begun(bb_begun *m, const uint8_t *from) {
    m->reason = bb_get_u8(from + 0);
}

   /* Answer to every command, after all that the command itself makes the board send (Identity and
   what follows it, Started, the rest of a capture and Stopped); of Restart, before Begun. */
#define BB_REPLY_SIZE 10
typedef struct {
    uint32_t to; /* sequence of the command */
    uint8_t command; /* its type */
    uint8_t outcome; /* what became of it (Outcome) */
    uint32_t detail; /* where it failed; the token of Ping */
} bb_reply;
static inline void bb_put_reply(uint8_t *to, const bb_reply *m) {
    bb_put_u32(to + 0, m->to);
    bb_put_u8(to + 4, m->command);
    bb_put_u8(to + 5, m->outcome);
    bb_put_u32(to + 6, m->detail);
}
static inline void bb_get_reply(bb_reply *m, const uint8_t *from) {
    m->to = bb_get_u32(from + 0);
    m->command = bb_get_u8(from + 4);
    m->outcome = bb_get_u8(from + 5);
    m->detail = bb_get_u32(from + 6);
}

   /* Begins: the board tells who it is. Ends a capture that was left running. */
#define BB_HELLO_SIZE 4
typedef struct {
    uint16_t level; /* protocol level of the program */
    uint16_t least_level; /* oldest level it still speaks */
} bb_hello;
static inline void bb_put_hello(uint8_t *to, const bb_hello *m) {
    bb_put_u16(to + 0, m->level);
    bb_put_u16(to + 2, m->least_level);
}
static inline void bb_get_hello(bb_hello *m, const uint8_t *from) {
    m->level = bb_get_u16(from + 0);
    m->least_level = bb_get_u16(from + 2);
}

   /* Begins a capture. */
#define BB_START_SIZE 1
typedef struct {
    uint8_t mode; /* number of a Mode */
} bb_start;
static inline void bb_put_start(uint8_t *to, const bb_start *m) {
    bb_put_u8(to + 0, m->mode);
}
static inline void bb_get_start(bb_start *m, const uint8_t *from) {
    m->mode = bb_get_u8(from + 0);
}

   /* Ends it. */
#define BB_STOP_SIZE 0

   /* Asks whether anybody is there. */
#define BB_PING_SIZE 4
typedef struct {
    uint32_t token; /* comes back in Reply */
} bb_ping;
static inline void bb_put_ping(uint8_t *to, const bb_ping *m) {
    bb_put_u32(to + 0, m->token);
}
static inline void bb_get_ping(bb_ping *m, const uint8_t *from) {
    m->token = bb_get_u32(from + 0);
}

   /* Lets the light of this board blink, to tell it from others. */
#define BB_BLINK_SIZE 1
typedef struct {
    uint8_t seconds; /* how long (s) */
} bb_blink;
static inline void bb_put_blink(uint8_t *to, const bb_blink *m) {
    bb_put_u8(to + 0, m->seconds);
}
static inline void bb_get_blink(bb_blink *m, const uint8_t *from) {
    m->seconds = bb_get_u8(from + 0);
}

   /* New figures of one sampled input, used at once and forgotten at power off. */
#define BB_CALIBRATE_SIZE 25
typedef struct {
    uint8_t input; /* which (Input) */
    float scale; /* value of one count (unit a count) */
    float zero; /* value of count 0 (unit) */
    float delay_s; /* delay of the front end (s) */
    float u_delay_s; /* standard uncertainty, as in Sampled (s) */
    float u_gain; /* standard uncertainty of the scale; negative: not stated (share) */
    float u_zero; /* standard uncertainty of the zero; negative: not stated (unit) */
} bb_calibrate;
static inline void bb_put_calibrate(uint8_t *to, const bb_calibrate *m) {
    bb_put_u8(to + 0, m->input);
    bb_put_f32(to + 1, m->scale);
    bb_put_f32(to + 5, m->zero);
    bb_put_f32(to + 9, m->delay_s);
    bb_put_f32(to + 13, m->u_delay_s);
    bb_put_f32(to + 17, m->u_gain);
    bb_put_f32(to + 21, m->u_zero);
}
static inline void bb_get_calibrate(bb_calibrate *m, const uint8_t *from) {
    m->input = bb_get_u8(from + 0);
    m->scale = bb_get_f32(from + 1);
    m->zero = bb_get_f32(from + 5);
    m->delay_s = bb_get_f32(from + 9);
    m->u_delay_s = bb_get_f32(from + 13);
    m->u_gain = bb_get_f32(from + 17);
    m->u_zero = bb_get_f32(from + 21);
}

   /* Writes the figures in use to the board's memory. */
#define BB_KEEP_SIZE 0

   /* Restarts the board. */
#define BB_RESTART_SIZE 1
typedef struct {
    uint8_t drive; /* 1: as a drive that takes new firmware, 0: as it is */
} bb_restart;
static inline void bb_put_restart(uint8_t *to, const bb_restart *m) {
    bb_put_u8(to + 0, m->drive);
}
static inline void bb_get_restart(bb_restart *m, const uint8_t *from) {
    m->drive = bb_get_u8(from + 0);
}

#endif
