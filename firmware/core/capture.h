/* A capture: rows and edges on their way into messages, and what of them was lost. */
#ifndef BB_CAPTURE_H
#define BB_CAPTURE_H

#include "inputs.h"
#include "stamps.h"

/* Samples of a block, of all inputs together: one message. */
#define BB_BLOCK_SAMPLES 640u

typedef struct {
    const bb_mode *mode; /* 0: no capture */
    uint64_t tick;       /* board clock at row 0 */
    uint64_t rows;       /* sampled, lost ones too */
    uint64_t rows_lost;
    uint32_t edges_lost;
    uint32_t pending;    /* rows of the block that is being filled, packed in `body` */
    bb_stamps stamps[BB_EDGE_INPUTS];
    uint8_t body[BB_MOST_BODY];
} bb_capture;

/* Packs samples of 12 bits into `to`, as Samples carries them, where `at` have been packed before. */
void bb_pack(uint8_t *to, size_t at, const uint16_t *samples, size_t count);

#endif
