#include "calibration.h"

#include "frames.h"

static const uint8_t MAGIC[4] = {'B', 'B', 'c', 'r'};
#define VERSION 1
#define HEAD 12u
#define INPUT_SIZE 25u
#define CHECKED (BB_RECORD_SIZE - BB_CRC)

void bb_design_figures(bb_figures *f) {
    memcpy(f->sampled, bb_design, sizeof bb_design);
    f->own = 0;
}

void bb_put_record(uint8_t *to, uint32_t number, const bb_figures *f) {
    memset(to, 0xFF, BB_RECORD_SIZE);
    memcpy(to, MAGIC, sizeof MAGIC);
    bb_put_u16(to + 4, VERSION);
    bb_put_u8(to + 6, f->own);
    bb_put_u8(to + 7, BB_SAMPLED_INPUTS);
    bb_put_u32(to + 8, number);
    for (size_t k = 0; k < BB_SAMPLED_INPUTS; k++) {
        const bb_sampled *s = &f->sampled[k];
        bb_calibrate c = {s->input, s->scale, s->zero, s->delay_s, s->u_delay_s, s->u_gain, s->u_zero};
        bb_put_calibrate(to + HEAD + INPUT_SIZE * k, &c);
    }
    bb_put_u32(to + CHECKED, bb_crc32(0, to, CHECKED));
}

static int erased(const uint8_t *from) {
    for (size_t k = 0; k < BB_RECORD_SIZE; k++) {
        if (from[k] != 0xFF) {
            return 0;
        }
    }
    return 1;
}

bb_record_state bb_get_record(const uint8_t *from, uint32_t *number, bb_figures *f) {
    if (erased(from)) {
        return BB_RECORD_EMPTY;
    }
    if (memcmp(from, MAGIC, sizeof MAGIC) != 0 || bb_get_u16(from + 4) != VERSION ||
        bb_get_u8(from + 6) > 1 || bb_get_u8(from + 7) != BB_SAMPLED_INPUTS ||
        bb_get_u32(from + CHECKED) != bb_crc32(0, from, CHECKED)) {
        return BB_RECORD_DAMAGED;
    }
    bb_figures found = {.own = bb_get_u8(from + 6)};
    for (size_t k = 0; k < BB_SAMPLED_INPUTS; k++) {
        bb_calibrate c;
        bb_get_calibrate(&c, from + HEAD + INPUT_SIZE * k);
        found.sampled[k] = bb_calibrated(&c);
        if (c.input != bb_design[k].input || !bb_can_be(&found.sampled[k])) {
            return BB_RECORD_DAMAGED;
        }
    }
    *number = bb_get_u32(from + 8);
    *f = found;
    return BB_RECORD_GOOD;
}

/* A number is newer than those of half the circle before it: it may go round. */
static int newer(uint32_t one, uint32_t other) { return one - other - 1u < 0x7FFFFFFFu; }

void bb_records_find(bb_records *r, bb_load load, bb_figures *f) {
    bb_record_state state[BB_COPIES];
    bb_design_figures(f);
    *r = (bb_records){0, 0, 0};
    int there = 0;
    for (uint8_t copy = 0; copy < BB_COPIES; copy++) {
        uint8_t data[BB_RECORD_SIZE];
        uint32_t number = 0;
        bb_figures found;
        state[copy] = load(copy, data, sizeof data) ? BB_RECORD_DAMAGED : bb_get_record(data, &number, &found);
        if (state[copy] == BB_RECORD_GOOD && (!there || newer(number, r->number))) {
            *f = found;
            r->number = number;
            r->next = copy ^ 1u;
            there = 1;
        }
    }
    for (uint8_t copy = 0; copy < BB_COPIES; copy++) {
        /* From the second record on both were written: one that is empty was torn as it was erased. */
        int torn = state[copy] == BB_RECORD_EMPTY && there && r->number > 1;
        r->damaged |= state[copy] == BB_RECORD_DAMAGED || torn;
    }
}

uint32_t bb_records_keep(bb_records *r, bb_load load, bb_store store, const bb_figures *f) {
    uint8_t data[BB_RECORD_SIZE], again[BB_RECORD_SIZE];
    uint8_t copy = r->next;
    bb_put_record(data, r->number + 1, f);
    uint32_t failure = store(copy, data, sizeof data);
    if (!failure) {
        failure = load(copy, again, sizeof again);
    }
    if (!failure && memcmp(data, again, sizeof data) != 0) {
        failure = BB_READS_OTHERWISE;
    }
    bb_figures in_force; /* what the flash says now, of which only the account of its copies is taken */
    bb_records_find(r, load, &in_force);
    return failure;
}
