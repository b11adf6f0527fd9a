/* What the board has: its clock, its inputs as they were designed, its capture modes. */
#ifndef BB_INPUTS_H
#define BB_INPUTS_H

#include "protocol.h"

#define BB_CLOCK_HZ 62500000u
#define BB_MOST_MODE_INPUTS 3
#define BB_SAMPLED_INPUTS 4
#define BB_EDGE_INPUTS 2
#define BB_MODES 2
/* Ticks from one conversion to the next: 500,000 a second. */
#define BB_STEP_TICKS 125
#define BB_BITS 12

/* Figures of the design, in the order in which they are told. */
extern const bb_sampled bb_design[BB_SAMPLED_INPUTS];
extern const bb_edge bb_edge_inputs[BB_EDGE_INPUTS];
extern const bb_mode bb_modes[BB_MODES];

/* An input with figures of a calibration. */
bb_sampled bb_calibrated(const bb_calibrate *c);

/* Whether these figures of a sampled input can be; the same limits as in wire/account.py. */
int bb_can_be(const bb_sampled *s);

#endif
