/* The calibration record: two copies, each in a sector of flash of its own.
 *
 *   at   size
 *    0    4   magic "BBcr"
 *    4    2   version, 1
 *    6    1   1: figures of a calibration, 0: those of the design, kept as they are
 *    7    1   sampled inputs, 4
 *    8    4   number: one more each time
 *   12  100   for each input, in the order in which they are told: its number and six f32 as in Calibrate
 *  112  140   ones
 *  252    4   CRC-32 over all before it
 *
 * The newer good copy counts, and the other is the one that is written: wherever a write is torn, the older
 * figures stay in force, and it shows.
 */
#ifndef BB_CALIBRATION_H
#define BB_CALIBRATION_H

#include "inputs.h"

/* One page of flash. */
#define BB_RECORD_SIZE 256
#define BB_COPIES 2

/* Failures of Keep besides those of the port, which lie below this: it reads otherwise than it was written. */
#define BB_READS_OTHERWISE 0x80000000u

typedef struct {
    bb_sampled sampled[BB_SAMPLED_INPUTS];
    uint8_t own; /* of a calibration of this board */
} bb_figures;

typedef enum {
    BB_RECORD_GOOD = 0,
    BB_RECORD_EMPTY,   /* erased, or never written */
    BB_RECORD_DAMAGED, /* anything else */
} bb_record_state;

/* What the two copies are. */
typedef struct {
    uint8_t next;    /* the copy that is written next */
    uint32_t number; /* of the one in force, 0: none is */
    int damaged;     /* one is damaged, or is gone that was there */
} bb_records;

typedef uint32_t (*bb_load)(uint8_t copy, uint8_t *to, size_t size);
typedef uint32_t (*bb_store)(uint8_t copy, const uint8_t *from, size_t size);

void bb_design_figures(bb_figures *f);

void bb_put_record(uint8_t *to, uint32_t number, const bb_figures *f);

/* `number` and `f` are only written to where it is good. */
bb_record_state bb_get_record(const uint8_t *from, uint32_t *number, bb_figures *f);

/* The figures in force, or those of the design. */
void bb_records_find(bb_records *r, bb_load load, bb_figures *f);

/* Writes them and reads them back: 0, or where it failed. */
uint32_t bb_records_keep(bb_records *r, bb_load load, bb_store store, const bb_figures *f);

#endif
