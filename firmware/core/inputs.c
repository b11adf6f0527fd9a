#include "inputs.h"

/* Half height of a step behind a first order of 30 kHz: ln 2 / (2 pi 30 kHz). It is linear, so that openings
 * and closings come equally late; gain and zero are not stated before a calibration. */
#define FRONT_END_S 3.67726e-6f
#define INPUT(which, full)                                                                           \
    {which, BB_BITS, 2.0f * (full) / 4096.0f, -(full), FRONT_END_S, 0.0f, -1.0f, -1.0f}

/* The dividers: each input reads from minus to plus this, count 2048 is 0. */
const bb_sampled bb_design[BB_SAMPLED_INPUTS] = {
    INPUT(BB_INPUT_POINTS_V, 50.0f),
    INPUT(BB_INPUT_CURRENT_A, 10.0f),
    INPUT(BB_INPUT_SUPPLY_V, 20.0f),
    INPUT(BB_INPUT_CONTACT_V, 2.5f),
};

const bb_edge bb_edge_inputs[BB_EDGE_INPUTS] = {
    {BB_INPUT_INDEX, 1, 0.0f},
    {BB_INPUT_ENCODER, 1, 0.0f},
};

const bb_mode bb_modes[BB_MODES] = {
    {1, 2, BB_INPUT_POINTS_V, BB_INPUT_CURRENT_A, 0, 2 * BB_STEP_TICKS, 1, BB_STEP_TICKS},
    {2, 3, BB_INPUT_POINTS_V, BB_INPUT_CURRENT_A, BB_INPUT_SUPPLY_V, 3 * BB_STEP_TICKS, 1, BB_STEP_TICKS},
};

bb_sampled bb_calibrated(const bb_calibrate *c) {
    return (bb_sampled){c->input,   BB_BITS,      c->scale,  c->zero,
                        c->delay_s, c->u_delay_s, c->u_gain, c->u_zero};
}

static double size_of(double x) { return x < 0.0 ? -x : x; }

static int within(double x, double least, double most) { return x >= least && x <= most; }

/* In double, as the program reckons, so that both draw the line at the same figure. NaN lies nowhere. */
int bb_can_be(const bb_sampled *s) {
    const double most_range = 1e6, least_range = 1e-6, most_delay_s = 0.01;
    return within(size_of((double)s->scale) * 4095.0, least_range, most_range) &&
           within((double)s->zero, -most_range, most_range) &&
           within((double)s->delay_s, 0.0, most_delay_s) &&
           within((double)s->u_delay_s, 0.0, most_delay_s) && (double)s->u_gain < 1.0 &&
           (double)s->u_gain > -1e300 && within((double)s->u_zero, -1e300, most_range);
}
