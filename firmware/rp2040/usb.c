/* The USB device: one serial line of the class CDC-ACM (USB 2.0; CDC 1.2; PSTN 1.2).
 *
 * The interrupt moves packets, the main loop fills and empties two rings of bytes. Endpoint 0 control, 1 in
 * for notices that are never sent, 2 in and out for the bytes.
 */
#include <string.h>

#include "chip.h"
#include "usb_tables.h"

#define PACKET 64u
#define TO_RING 4096u
#define FROM_RING 1024u
/* With so little left to send, and more waiting, the main loop is woken before its millisecond is over. */
#define LOW_WATER 2048u

/* What was said last has so long to be fetched before the board restarts. */
#define LEAVE_TICKS (BB_CLOCK_HZ / 10u)

/* Where the packets stand in the controller's memory. */
#define EP0_AT 0x100u
#define NOTICE_AT 0x180u
#define IN_AT 0x1C0u
#define OUT_AT 0x200u

#define IN 0u
#define OUT 1u
#define NOTICE_ENDPOINT 1u
#define DATA_ENDPOINT 2u
#define BULK 2u
#define INTERRUPT 3u

static uint8_t to_host[TO_RING], from_host[FROM_RING];
static volatile uint32_t to_put, to_got, from_put, from_got; /* bytes ever; the place is the rest of it */

static struct {
    uint8_t pid[3][2];    /* DATA0 or DATA1 of the next packet, of each endpoint in and out */
    uint8_t halted[3][2];
    uint8_t configured, address, set_address;
    uint8_t out_armed, last_full;
    volatile uint8_t in_armed;
    volatile uint8_t open, gone, more; /* more: the board has what did not fit */
    /* the control transfer under way */
    const uint8_t *data;
    uint32_t left;
    uint8_t zero_after, taking_coding, wait_status;
    uint8_t coding[7];
} usb;

static uint8_t scratch[PACKET];

static uint32_t buffer_control(uint32_t endpoint, uint32_t way) {
    return USB_DPRAM_EP0_IN_BUFFER_CONTROL + 8u * endpoint + 4u * way;
}

static void arm(uint32_t endpoint, uint32_t way, uint32_t bytes) {
    uint32_t word = PUT(USB_DPRAM_EP0_IN_BUFFER_CONTROL_LENGTH_0, bytes) |
                    PUT(USB_DPRAM_EP0_IN_BUFFER_CONTROL_PID_0, usb.pid[endpoint][way]);
    if (way == IN) {
        word |= BIT(USB_DPRAM_EP0_IN_BUFFER_CONTROL_FULL_0);
    }
    usb.pid[endpoint][way] ^= 1u;
    REG(buffer_control(endpoint, way)) = word;
    /* The controller has a clock of its own: AVAILABLE comes when the rest has been there a while. */
    __asm volatile("nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop\n nop");
    REG(buffer_control(endpoint, way)) = word | BIT(USB_DPRAM_EP0_IN_BUFFER_CONTROL_AVAILABLE_0);
}

static volatile uint8_t *at(uint32_t place) {
    return (volatile uint8_t *)(uintptr_t)(USB_DPRAM + place);
}

/* The next packet of the line, where one may be sent. Interrupts off. */
static void fill_in(void) {
    if (usb.in_armed || !usb.configured || usb.halted[DATA_ENDPOINT][IN]) {
        return;
    }
    uint32_t bytes = to_put - to_got;
    if (!bytes && !usb.last_full) {
        return;
    }
    bytes = bytes > PACKET ? PACKET : bytes;
    volatile uint8_t *to = at(IN_AT);
    uint32_t from = to_got % TO_RING;
    for (uint32_t k = 0; k < bytes; k++) {
        to[k] = to_host[from];
        from = (from + 1u) % TO_RING;
    }
    to_got += bytes;
    usb.last_full = bytes == PACKET; /* the host waits for a shorter one: an empty one where nothing is left */
    usb.in_armed = 1;
    arm(DATA_ENDPOINT, IN, bytes);
}

static void ask_out(void) {
    if (usb.out_armed || !usb.configured || usb.halted[DATA_ENDPOINT][OUT] ||
        FROM_RING - (from_put - from_got) < PACKET) {
        return;
    }
    usb.out_armed = 1;
    arm(DATA_ENDPOINT, OUT, PACKET);
}

static void took_out(void) {
    uint32_t bytes = GET(USB_DPRAM_EP0_IN_BUFFER_CONTROL_LENGTH_0, REG(buffer_control(DATA_ENDPOINT, OUT)));
    const volatile uint8_t *from = at(OUT_AT);
    for (uint32_t k = 0; k < bytes && k < PACKET; k++) {
        from_host[(from_put + k) % FROM_RING] = from[k];
    }
    from_put += bytes;
    usb.out_armed = 0;
    ask_out();
    bb_woken = 1;
}

static void forget_line(void) {
    to_got = to_put;
    usb.last_full = 0;
    usb.gone = 1;
    bb_woken = 1;
}

/* --- endpoint 0 --- */

static void stall_control(void) {
    REG(USB_EP_STALL_ARM) = 3u;
    REG(buffer_control(0, IN)) = BIT(USB_DPRAM_EP0_IN_BUFFER_CONTROL_STALL);
    REG(buffer_control(0, OUT)) = BIT(USB_DPRAM_EP0_IN_BUFFER_CONTROL_STALL);
}

static void send_some(void) {
    uint32_t bytes = usb.left > PACKET ? PACKET : usb.left;
    volatile uint8_t *to = at(EP0_AT);
    for (uint32_t k = 0; k < bytes; k++) {
        to[k] = usb.data[k];
    }
    usb.data += bytes;
    usb.left -= bytes;
    if (!usb.left && bytes < PACKET) {
        usb.zero_after = 0;
    }
    arm(0, IN, bytes);
}

/* Answers with so many bytes, but no more than were asked for. */
static void answer(const uint8_t *data, uint32_t bytes, uint32_t asked) {
    usb.data = data;
    usb.zero_after = bytes < asked;
    usb.left = bytes < asked ? bytes : asked;
    usb.wait_status = 0;
    send_some();
}

static void accept(void) {
    usb.wait_status = 1; /* the empty packet in */
    usb.data = NULL;
    usb.left = 0;
    usb.zero_after = 0;
    arm(0, IN, 0);
}

static void set_endpoint(uint32_t endpoint, uint32_t way, uint32_t kind, uint32_t place) {
    REG(USB_DPRAM_EP1_IN_CONTROL + 8u * (endpoint - 1u) + 4u * way) =
        BIT(USB_DPRAM_EP1_IN_CONTROL_ENABLE) | BIT(USB_DPRAM_EP1_IN_CONTROL_INTERRUPT_PER_BUFF) |
        PUT(USB_DPRAM_EP1_IN_CONTROL_ENDPOINT_TYPE, kind) | place;
}

static void configure(uint8_t value) {
    for (uint32_t e = 1; e <= DATA_ENDPOINT; e++) {
        for (uint32_t way = IN; way <= OUT; way++) {
            usb.pid[e][way] = usb.halted[e][way] = 0;
            REG(buffer_control(e, way)) = 0;
            REG(USB_DPRAM_EP1_IN_CONTROL + 8u * (e - 1u) + 4u * way) = 0;
        }
    }
    usb.in_armed = usb.out_armed = 0;
    usb.open = 0;
    usb.configured = value;
    forget_line();
    from_got = from_put;
    if (value) {
        set_endpoint(NOTICE_ENDPOINT, IN, INTERRUPT, NOTICE_AT);
        set_endpoint(DATA_ENDPOINT, IN, BULK, IN_AT);
        set_endpoint(DATA_ENDPOINT, OUT, BULK, OUT_AT);
        ask_out();
    }
}

static void halt(uint32_t address, int on) {
    uint32_t e = address & 15u, way = address & 0x80u ? IN : OUT;
    usb.halted[e][way] = (uint8_t)on;
    if (on) {
        REG(buffer_control(e, way)) = BIT(USB_DPRAM_EP0_IN_BUFFER_CONTROL_STALL);
        return;
    }
    REG(buffer_control(e, way)) = 0;
    usb.pid[e][way] = 0;
    if (e == DATA_ENDPOINT) {
        if (way == IN) {
            usb.in_armed = 0;
            fill_in();
        } else {
            usb.out_armed = 0;
            ask_out();
        }
    }
}

static int is_endpoint(uint32_t address) {
    return address == (0x80u | NOTICE_ENDPOINT) || address == (0x80u | DATA_ENDPOINT) ||
           address == DATA_ENDPOINT;
}

/* 1 where the request is one that we know; type, request, value, index, length as in USB 2.0, 9.3. */
static int request(uint32_t type, uint32_t what, uint32_t value, uint32_t index, uint32_t length) {
    switch (type << 8 | what) {
    case 0x8006: { /* GET_DESCRIPTOR */
        uint32_t bytes = 0;
        const uint8_t *data = bb_usb_descriptor(value, scratch, &bytes);
        if (!data) {
            return 0;
        }
        answer(data, bytes, length);
        return 1;
    }
    case 0x0005: /* SET_ADDRESS: from after the status on */
        usb.address = (uint8_t)(value & 127u);
        usb.set_address = 1;
        accept();
        return 1;
    case 0x0009: /* SET_CONFIGURATION */
        if (value > 1u) {
            return 0;
        }
        configure((uint8_t)value);
        accept();
        return 1;
    case 0x8008: /* GET_CONFIGURATION */
        scratch[0] = usb.configured;
        answer(scratch, 1, length);
        return 1;
    case 0x8000: /* GET_STATUS of device, interface, endpoint */
    case 0x8100:
    case 0x8200:
        scratch[0] = scratch[1] = 0;
        if (type == 0x82u && (index & 0x7Fu)) {
            if (!is_endpoint(index)) {
                return 0;
            }
            scratch[0] = usb.halted[index & 15u][index & 0x80u ? IN : OUT];
        }
        answer(scratch, 2, length);
        return 1;
    case 0x0201: /* CLEAR_FEATURE, SET_FEATURE: an endpoint's halt */
    case 0x0203:
        if (value || !usb.configured || !is_endpoint(index)) {
            return 0;
        }
        halt(index, what == 3u);
        accept();
        return 1;
    case 0x810A: /* GET_INTERFACE */
        if (!usb.configured || index > 1u) {
            return 0;
        }
        scratch[0] = 0;
        answer(scratch, 1, length);
        return 1;
    case 0x010B: /* SET_INTERFACE */
        if (!usb.configured || value || index > 1u) {
            return 0;
        }
        accept();
        return 1;
    case 0x2120: /* SET_LINE_CODING: kept and told, else without meaning here */
        if (length != sizeof usb.coding) {
            return 0;
        }
        usb.taking_coding = 1;
        arm(0, OUT, PACKET);
        return 1;
    case 0xA121: /* GET_LINE_CODING */
        answer(usb.coding, sizeof usb.coding, length);
        return 1;
    case 0x2122: /* SET_CONTROL_LINE_STATE: bit 0 is up while a program has the line open */
        if (usb.open != (value & 1u)) {
            usb.open = (uint8_t)(value & 1u);
            forget_line();
        }
        accept();
        return 1;
    case 0x2123: /* SEND_BREAK */
        accept();
        return 1;
    default: return 0;
    }
}

static void setup(void) {
    uint32_t low = REG(USB_DPRAM), high = REG(USB_DPRAM + 4u);
    REG(USB_SIE_STATUS) = BIT(USB_SIE_STATUS_SETUP_REC);
    REG(buffer_control(0, IN)) = 0;
    REG(buffer_control(0, OUT)) = 0;
    usb.pid[0][IN] = usb.pid[0][OUT] = 1;
    usb.left = usb.zero_after = usb.taking_coding = usb.wait_status = usb.set_address = 0;
    if (!request(low & 255u, low >> 8 & 255u, low >> 16, high & 0xFFFFu, high >> 16)) {
        stall_control();
    }
}

static void control_sent(void) {
    if (usb.wait_status) {
        usb.wait_status = 0;
        if (usb.set_address) {
            usb.set_address = 0;
            REG(USB_ADDR_ENDP) = usb.address;
        }
    } else if (usb.left || usb.zero_after) {
        send_some();
    } else {
        usb.pid[0][OUT] = 1;
        arm(0, OUT, PACKET); /* the empty packet out */
    }
}

static void control_came(void) {
    if (usb.taking_coding) {
        usb.taking_coding = 0;
        for (uint32_t k = 0; k < sizeof usb.coding; k++) {
            usb.coding[k] = at(EP0_AT)[k];
        }
        accept();
    }
}

static void bus_reset(void) {
    REG(USB_ADDR_ENDP) = 0;
    usb.set_address = 0;
    configure(0);
}

void bb_usb_interrupt(void) {
    uint32_t why = REG(USB_INTS);
    if (GET(USB_INTE_BUS_RESET, why)) {
        REG(USB_SIE_STATUS) = BIT(USB_SIE_STATUS_BUS_RESET);
        bus_reset();
    }
    if (GET(USB_INTE_BUFF_STATUS, why)) {
        uint32_t done = REG(USB_BUFF_STATUS);
        REG(USB_BUFF_STATUS) = done;
        if (done & 1u) {
            control_sent();
        }
        if (done & 2u) {
            control_came();
        }
        if (done & 1u << (2u * DATA_ENDPOINT + IN)) {
            usb.in_armed = 0;
            fill_in();
            if (usb.more && to_put - to_got < LOW_WATER) {
                bb_woken = 1;
            }
        }
        if (done & 1u << (2u * DATA_ENDPOINT + OUT)) {
            took_out();
        }
    }
    if (GET(USB_INTE_SETUP_REQ, why)) {
        setup();
    }
    if (GET(USB_INTE_DEV_SUSPEND, why)) {
        REG(USB_SIE_STATUS) = BIT(USB_SIE_STATUS_SUSPENDED);
        if (usb.configured) {
            forget_line(); /* the host sleeps: what is measured now would reach nobody */
        }
    }
    if (GET(USB_INTE_DEV_RESUME_FROM_HOST, why)) {
        REG(USB_SIE_STATUS) = BIT(USB_SIE_STATUS_RESUME);
    }
}

/* --- main loop --- */

void bb_usb_start(const char *serial) {
    static const uint8_t CODING[7] = {0x00, 0xC2, 0x01, 0x00, 0, 0, 8}; /* 115200 8N1 */
    memcpy(usb.coding, CODING, sizeof CODING);
    bb_usb_serial(serial);
    for (uint32_t k = 0; k < 0x1000u; k += 4u) {
        REG(USB_DPRAM + k) = 0;
    }
    REG(USB_USB_MUXING) = BIT(USB_USB_MUXING_TO_PHY) | BIT(USB_USB_MUXING_SOFTCON);
    REG(USB_USB_PWR) = BIT(USB_USB_PWR_VBUS_DETECT) | BIT(USB_USB_PWR_VBUS_DETECT_OVERRIDE_EN);
    REG(USB_MAIN_CTRL) = BIT(USB_MAIN_CTRL_CONTROLLER_EN);
    REG(USB_SIE_CTRL) = BIT(USB_SIE_CTRL_EP0_INT_1BUF);
    REG(USB_INTE) = BIT(USB_INTE_BUFF_STATUS) | BIT(USB_INTE_BUS_RESET) | BIT(USB_INTE_SETUP_REQ) |
                    BIT(USB_INTE_DEV_SUSPEND) | BIT(USB_INTE_DEV_RESUME_FROM_HOST);
    REG(NVIC_ISER) = 1u << IRQ_USBCTRL;
    SET(USB_SIE_CTRL, BIT(USB_SIE_CTRL_PULLUP_EN)); /* the host sees us from here on */
}

void bb_usb_leave(void) {
    const uint64_t begin = bb_clock();
    while ((to_put != to_got || usb.in_armed) && bb_clock() - begin < LEAVE_TICKS) {
        bb_watchdog_feed();
    }
    CLEAR(USB_SIE_CTRL, BIT(USB_SIE_CTRL_PULLUP_EN));
}

void bb_usb_poll(bb_board *b) {
    if (usb.gone) {
        usb.gone = 0;
        bb_board_line_gone(b);
    }
    while (from_put != from_got) {
        uint32_t from = from_got % FROM_RING, bytes = from_put - from_got;
        bytes = bytes > FROM_RING - from ? FROM_RING - from : bytes;
        bb_board_received(b, from_host + from, bytes);
        from_got += bytes;
    }
    while (usb.open) {
        const uint8_t *data;
        size_t bytes = bb_board_to_send(b, &data);
        uint32_t to = to_put % TO_RING, room = TO_RING - (to_put - to_got);
        room = room > TO_RING - to ? TO_RING - to : room;
        usb.more = bytes != 0;
        bytes = bytes > room ? room : bytes;
        if (!bytes) {
            break;
        }
        memcpy(to_host + to, data, bytes);
        uint32_t before = interrupts_off();
        if (usb.open && !usb.gone) {
            to_put += bytes;
        }
        interrupts_as(before);
        bb_board_sent(b, bytes);
    }
    uint32_t before = interrupts_off();
    fill_in();
    ask_out();
    interrupts_as(before);
}
