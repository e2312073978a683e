/* A Modbus TCP server on a library that shares nothing with the gateway's.
   Reads lines "table address value" from standard input (table 0 coil, 1 discrete, 3 input, 4 holding) up to an empty line, prints the port
   it listens on and then each request in hexadecimal, serves one client after another, and ends when standard input ends. */
#include <modbus.h>
#include <netinet/in.h>
#include <pthread.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <unistd.h>

#define ADDRESSES 2000

static void *wait_for_end(void *unused) {
    char line[64];
    while (fgets(line, sizeof line, stdin) != NULL) {
    }
    (void)unused;
    exit(0);
}

static void serve(modbus_t *context, int listener, modbus_mapping_t *mapping) {
    uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
    int length, client = modbus_tcp_accept(context, &listener);
    if (client == -1) exit(1);
    while ((length = modbus_receive(context, query)) != -1) {
        for (int place = 0; place < length; place++) printf("%02x%s", query[place], place + 1 < length ? "" : "\n");
        fflush(stdout);
        if (length > 0 && modbus_reply(context, query, length, mapping) == -1) break;
    }
    modbus_close(context);
}

int main(void) {
    char line[64];
    int table, address, value;
    struct sockaddr_in bound;
    socklen_t size = sizeof bound;
    pthread_t watcher;
    modbus_mapping_t *mapping = modbus_mapping_new(ADDRESSES, ADDRESSES, ADDRESSES, ADDRESSES);
    modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
    if (mapping == NULL || context == NULL) return 1;
    while (fgets(line, sizeof line, stdin) != NULL && sscanf(line, "%d %d %d", &table, &address, &value) == 3) {
        if (address < 0 || address >= ADDRESSES) return 1;
        if (table == 0) mapping->tab_bits[address] = (uint8_t)value;
        if (table == 1) mapping->tab_input_bits[address] = (uint8_t)value;
        if (table == 3) mapping->tab_input_registers[address] = (uint16_t)value;
        if (table == 4) mapping->tab_registers[address] = (uint16_t)value;
    }
    int listener = modbus_tcp_listen(context, 4);
    if (listener == -1 || getsockname(listener, (struct sockaddr *)&bound, &size) != 0) return 1;
    printf("%d\n", ntohs(bound.sin_port));
    fflush(stdout);
    if (pthread_create(&watcher, NULL, wait_for_end, NULL) != 0) return 1;
    for (;;) serve(context, listener, mapping);
}
