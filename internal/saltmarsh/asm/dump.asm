; DUMP: shows 256 bytes of memory from the address in HL, sixteen rows of sixteen, in hexadecimal.
; Assemble: z80asm -o dump.bin dump.asm    loads at 6000h, entry 6000h
        org     6000h
screen: equ     3c00h

start:  ld      hl, 0
        ld      de, screen
        ld      b, 16
row:    push    bc
        push    de
        ld      a, h
        call    hex
        ld      a, l
        call    hex
        inc     de
        ld      b, 16
byte:   ld      a, (hl)
        inc     hl
        call    hex
        inc     de
        djnz    byte
        pop     de
        ex      de, hl
        ld      bc, 64
        add     hl, bc
        ex      de, hl
        pop     bc
        djnz    row
        ret

hex:    push    af
        rrca
        rrca
        rrca
        rrca
        call    digit
        pop     af
digit:  and     15
        add     a, '0'
        cp      '9'+1
        jr      c, store
        add     a, 7
store:  ld      (de), a
        inc     de
        ret
