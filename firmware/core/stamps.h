/* Edge times of one input, waiting for the rows that they belong to. */
#ifndef BB_STAMPS_H
#define BB_STAMPS_H

#include "protocol.h"

/* Edges that wait at most: a block of rows lasts 1.3 ms, in which a disc of 1,024 pulses at 10,000 rpm, both
 * edges stamped, gives 437. */
#ifndef BB_MOST_STAMPS
#define BB_MOST_STAMPS 512u
#endif
/* Edges in a message, so that it is never too long: a number of 63 bits takes 9 bytes. */
#define BB_MOST_EDGES ((BB_MOST_BODY - BB_EDGES_SIZE) / 9)

typedef struct {
    uint64_t twice[BB_MOST_STAMPS];  /* ticks since Started, times 2, and 1 if the line went up */
    uint32_t before[BB_MOST_STAMPS]; /* edges lost between the one before and this */
    uint32_t first, count;
    uint32_t lost;   /* since the newest that waits */
    uint64_t newest; /* ticks since Started of the last that came */
    uint32_t untold; /* edges lost that no message has told yet */
} bb_stamps;

void bb_stamps_init(bb_stamps *s);

/* How many were lost by it: 1 where there was no room, or where its time went back. */
uint32_t bb_stamps_add(bb_stamps *s, uint64_t ticks, int rising);

void bb_stamps_lose(bb_stamps *s, uint32_t count);

/* The oldest before tick `end` as the body of a message: its size, 0 where there are none. Taken are at most
 * BB_MOST_EDGES, and none past a loss, which only the next message tells: `count` says how many. */
size_t bb_stamps_take(bb_stamps *s, uint8_t input, uint64_t end, uint8_t *body, uint16_t *count);

/* What became of the message that was taken last. */
void bb_stamps_told(bb_stamps *s, int sent, uint16_t count);

/* Sum that stays at the most. */
static inline uint32_t bb_sum(uint32_t a, uint32_t b) { return a > UINT32_MAX - b ? UINT32_MAX : a + b; }

#endif
