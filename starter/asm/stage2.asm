; Starter tape, stage 2: takes the tracks of a disk from the link, mends and unpacks them, formats, writes and reads
; back each track, and starts the machine from the finished disk. Fits 16 KiB of RAM.
;
; A track (10 sectors of 256 bytes) comes as a packed string in K blocks of 128 bytes and up to seven parity blocks.
; Parity block j is the sum over GF(256) (x^8 + x^4 + x^3 + x^2 + 1) of block i times 1 / ((0f0h + j) xor i): any K of
; the blocks give the track.

receive:  equ 4403h
crcbyte:  equ 4406h
block:	equ 4300h
bdisk:	equ block
btrack:	equ block+1
bindex:	equ block+2
bcount:	equ block+3
bflags:	equ block+4
bcrc:	equ block+7
bround:	equ block+9
bdata:	equ block+10

port:	equ 0ffh
select:	equ 37e0h
command: equ 37ech
rtrack:	equ 37edh
rsector: equ 37eeh
rdata:	equ 37efh
screen:	equ 3c00h
row:	equ 64

logs:	equ 5000h		; logarithms of 1..255 to base 2
exps:	equ 5100h		; 510 powers of 2
done:	equ 5300h		; per track: 0 wanted, 1 good
sums:	equ 5380h		; per track: CRC
have:	equ 5440h		; per block of the group: 1 here
lost:	equ 5460h		; numbers of the data blocks that are not here
used:	equ 5468h		; numbers of the parity blocks used in their place
matrix:	equ 5470h		; up to 8 rows of 8 coefficients
heard:	equ 5430h		; calibration: good blocks per rate
group:	equ 5500h		; 32 blocks of 128 bytes
track:	equ 6600h		; 2,560 bytes
stack:	equ 7ff0h

	org 4600h

	jp begin
ntracks: defb 40		; 4603h: how many tracks, set by the maker of the tape

begin:	ld sp,stack
	call tables
	ld hl,done		; nothing is here: done, sums, have, ... to the group
	ld de,done+1
	ld bc,group-done-1
	ld (hl),0
	ldir
	ld a,(bdisk)
	ld (disk),a
newdisk:
	call cls
	ld hl,screen
	ld de,title
	call print
	call askdrive
restart:
	ld hl,done		; a new disk: every track is wanted
	ld b,tracks
forget:	ld (hl),0
	inc hl
	djnz forget
	ld a,(ntracks)
	ld (left),a
	call show
next:	ld a,0ffh
	ld (current),a

; The main loop: blocks to tracks.
main:	ld hl,waiting
	call state
main1:	ld a,(drive)
	ld (select),a		; keeps the motor running
	call receive
	jr c,main2
	call keys
	jr main1
main2:	ld a,(btrack)
	cp 0feh
	jp z,calibrate
	ld hl,disk
	ld b,(hl)
	ld hl,ntracks
	cp (hl)
	jr nc,main1		; a part of stage 2
	ld c,a
	ld a,(bdisk)
	cp b
	jr nz,main1		; another tape
	ld hl,done
	ld d,0
	ld e,c
	add hl,de
	ld a,(hl)
	or a
	jr nz,main1		; this track is good already
	ld a,(current)
	cp c
	jr z,main3
	inc a			; the group before was not whole?
	jr z,main5
	push bc
	ld hl,repeats
	inc (hl)
	ld hl,repeated
	call state
	call show
	pop bc
main5:	ld a,c
	ld (current),a
	xor a
	ld (got),a
	ld hl,have
	ld b,32
main4:	ld (hl),a
	inc hl
	djnz main4
	call where
main3:	ld a,(bindex)
	and 31
	ld e,a
	ld d,0
	ld hl,have
	add hl,de
	ld a,(hl)
	or a
	jr nz,main1		; here already
	ld (hl),1
	ld a,e
	call slot
	ex de,hl
	ld hl,bdata
	ld bc,128
	ldir
	ld hl,got
	inc (hl)
	ld a,(bcount)
	ld b,a
	ld a,(hl)
	cp b
	jp c,main1
	call mend
	call unpack
	ld hl,track
	call crctrack
	ld hl,(bcrc)
	or a
	sbc hl,de
	jr nz,again		; not what was sent
	call put
	jr nz,again
	ld a,(current)
	ld e,a
	ld d,0
	ld hl,done
	add hl,de
	ld (hl),1
	ld hl,sums
	add hl,de
	add hl,de
	ld de,(bcrc)
	ld (hl),e
	inc hl
	ld (hl),d
	ld hl,left
	dec (hl)
	call show
	ld a,(left)
	or a
	jp nz,next
	jp final

again:	ld hl,repeats
	inc (hl)
	ld hl,repeated
	call state
	call show
	jp next

; slot: HL = place of block A in the group.
slot:	ld h,a
	ld l,0
	srl h
	rr l
	ld de,group
	add hl,de
	ret

; calibrate: counts the good blocks of each rate and shows the counts as digits.
calibrate:
	ld a,(bindex)
	and 15
	ld e,a
	ld d,0
	ld hl,heard
	add hl,de
	inc (hl)
	ld a,(hl)
	add a,30h
	ld hl,screen+11*row+18
	add hl,de
	add hl,de
	ld (hl),a
	ld hl,screen+11*row
	ld de,rates
	call print
	jp main1

; ---- mending -------------------------------------------------------------------------------------------------------

; tables: logarithms and powers in GF(256).
tables:	ld a,1
	ld b,255
	ld hl,exps
table1:	ld (hl),a
	push hl
	ld de,255		; the second copy of the powers
	add hl,de
	ld (hl),a
	pop hl
	ld d,logs/256
	ld e,a
	ld a,l
	ld (de),a
	inc l
	ld a,e
	add a,a
	jr nc,table2
	xor 1dh
table2:	djnz table1
	ret

; coef: A = 1 / ((0f0h + C) xor B). Keeps BC.
coef:	ld a,0f0h
	add a,c
	xor b
	; inverse of A: 2 ** (255 - log A)
invert:	ld h,logs/256
	ld l,a
	ld a,255
	sub (hl)
	ld h,exps/256
	ld l,a
	ld a,(hl)
	ret

; times: A = A * C. Keeps BC, DE.
times:	or a
	ret z
	ld h,logs/256
	ld l,a
	ld a,(hl)
	inc c
	dec c
	jr z,times0
	ld l,c
	add a,(hl)
	ld l,a
	ld h,exps/256
	jr nc,times1
	inc h
times1:	ld a,(hl)
	ret
times0:	xor a
	ret

; addmul: the block at DE becomes the block at DE plus C times the block at HL.
addmul:	ld a,c
	or a
	ret z
	push bc
	push de
	push hl
	ld b,logs/256
	ld a,(bc)
	ld c,a			; log of the factor
	exx
	ld b,128
	exx
addmul1:
	ld a,(hl)
	or a
	jr z,addmul3
	push hl
	ld h,logs/256
	ld l,a
	ld a,(hl)
	add a,c
	ld l,a
	ld h,exps/256
	jr nc,addmul2
	inc h
addmul2:
	ld a,(de)
	xor (hl)
	ld (de),a
	pop hl
addmul3:
	inc hl
	inc de
	exx
	dec b
	exx
	jr nz,addmul1
	pop hl
	pop de
	pop bc
	ret

; mend: rebuilds the data blocks that are not here from parity blocks.
mend:	ld a,(bcount)
	ld b,a
	ld c,0
	ld de,lost
	ld hl,have
mend1:	ld a,(hl)		; which data blocks are lost
	or a
	jr nz,mend2
	ld a,l
	sub have-have/256*256	; the low half of its address
	ld (de),a
	inc de
	inc c
mend2:	inc hl
	djnz mend1
	ld a,c
	or a
	ret z
	ld (nlost),a
	ld de,used		; which parity blocks stand in for them
	ld b,a
	ld c,0
mend3:	ld a,(hl)
	or a
	jr z,mend4
	ld a,c
	ld (de),a
	inc de
	dec b
	jr z,mend5
mend4:	inc hl
	inc c
	jr mend3

; Take what is known out of each parity block used, and set up its row of coefficients.
mend5:	ld ix,used
	ld iy,matrix
	ld a,(nlost)
mend6:	push af
	ld c,(ix+0)		; parity number
	ld a,(bcount)
	ld b,a
mend7:	dec b			; data block
	ld a,b
	ld h,have/256
	add a,have-have/256*256
	ld l,a
	ld a,(hl)
	or a
	jr z,mend8
	push bc
	call coef
	ld (factor),a
	ld a,(bcount)
	add a,c
	push bc
	call slot
	ex de,hl		; parity block
	pop bc
	push de
	ld a,b
	call slot
	pop de
	ld a,(factor)
	ld c,a
	call addmul
	pop bc
mend8:	ld a,b
	or a
	jr nz,mend7
	ld hl,lost
	ld a,(nlost)
	push iy
mend9:	push af
	ld b,(hl)
	push hl
	call coef
	pop hl
	ld (iy+0),a
	inc iy
	inc hl
	pop af
	dec a
	jr nz,mend9
	pop iy
	ld de,8
	add iy,de
	inc ix
	pop af
	dec a
	jr nz,mend6

; Solve: row by row scale to 1 on the diagonal, then clear the column elsewhere. Every leading square of such a matrix
; can be inverted, so the diagonal is never 0.
	xor a
solve1:	ld (column),a
	call at			; IY = row A, HL = its block
	ld a,(column)
	ld e,a
	ld d,0
	push iy
	add iy,de
	ld a,(iy+0)
	pop iy
	push hl
	call invert
	pop hl
	ld c,a
	call scale
	xor a
solve2:	ld (rownow),a
	ld hl,column
	cp (hl)
	jr z,solve3
	call at
	push iy
	push hl
	ld a,(column)
	ld e,a
	ld d,0
	add iy,de
	ld a,(iy+0)
	ld (factor),a
	ld a,(column)
	call at			; IY, HL: the row that clears
	pop de			; block to be cleared
	ld a,(factor)
	ld c,a
	call addmul
	pop ix			; row to be cleared
	ld b,8
solve4:	ld a,(iy+0)
	call times
	xor (ix+0)
	ld (ix+0),a
	inc ix
	inc iy
	djnz solve4
solve3:	ld a,(rownow)
	inc a
	ld hl,nlost
	cp (hl)
	jr c,solve2
	ld a,(column)
	inc a
	cp (hl)
	jr c,solve1

; Each row's block is now one of the lost.
	xor a
copy1:	ld (rownow),a
	call at
	push hl
	ld a,(rownow)
	ld e,a
	ld d,0
	ld hl,lost
	add hl,de
	ld a,(hl)
	call slot
	ex de,hl
	pop hl
	ld bc,128
	ldir
	ld a,(rownow)
	inc a
	ld hl,nlost
	cp (hl)
	jr c,copy1
	ret

; at: IY = row A of the matrix, HL = the parity block of that row.
at:	ld e,a
	ld d,0
	ld iy,matrix
	ld hl,used
	add hl,de
	sla e
	sla e
	sla e
	add iy,de
	ld a,(bcount)
	add a,(hl)
	jp slot

; scale: multiplies row IY and block HL by C.
scale:	push iy
	ld b,8
	push hl
scale1:	ld a,(iy+0)
	call times
	ld (iy+0),a
	inc iy
	djnz scale1
	pop de
	pop iy
	ld b,128
scale2:	ld a,(de)
	call times
	ld (de),a
	inc de
	djnz scale2
	ret

; ---- unpacking -----------------------------------------------------------------------------------------------------

; unpack: the packed string at the group becomes the track. A byte below 80h: that many bytes and one more follow as
; they are. 80h and above: a copy of (byte and 7fh) + 3 bytes from a distance that follows as a word. It stops when the
; track is full.
unpack:	ld hl,group
	ld de,track
unpack1:
	ld a,d
	cp (track+0a00h)/256
	ret nc
	ld a,(hl)
	inc hl
	cp 80h
	jr nc,unpack2
	ld c,a
	ld b,0
	inc bc
	ldir
	jr unpack1
unpack2:
	and 7fh
	add a,3
	ld c,(hl)
	inc hl
	ld b,(hl)
	inc hl
	push hl
	ld h,d
	ld l,e
	or a
	sbc hl,bc
	ld c,a
	ld b,0
	ldir
	pop hl
	jr unpack1

; crctrack: DE = CRC of the 2,560 bytes at HL.
crctrack:
	ld de,0ffffh
	ld bc,0a00h
crct1:	ld a,(hl)
	inc hl
	push bc
	call crcbyte
	pop bc
	dec bc
	ld a,b
	or c
	jr nz,crct1
	ret

; ---- the disk ------------------------------------------------------------------------------------------------------

; put: formats the current track, writes its ten sectors and reads them back. Zero flag set: good.
put:	ld a,3
put1:	ld (tries),a
	ld hl,writing
	call state
	call seek
	call format
	ld de,order
	ld b,10
	ld c,4			; the head may still be settling
put2:	push bc
	ld a,(de)
	push de
	call write
	pop de
	pop bc
	jr nz,put4
	inc de
	ld c,0
	djnz put2
	ld hl,reading
	call state
	ld de,order
	ld b,10
put3:	push bc
	ld a,(de)
	push de
	call compare
	pop de
	pop bc
	jr nz,put4
	inc de
	djnz put3
	xor a
	ret
put4:	ld a,(status)
	ld hl,noready
	bit 7,a
	jr nz,put5
	ld hl,isprotected
	bit 6,a
	jr nz,put5
	call home
	ld a,(tries)
	dec a
	jr nz,put1
	ld hl,badspot		; the track is named above; another disk is needed
	call state
	call anykey
	pop hl			; not back to the caller
	jp newdisk
put5:	call state
	call anykey
	call home
	or 1			; the track comes again
	ret
order:	defb 0,5,1,6,2,7,3,8,4,9

; do: gives command A, and waits until it has ended. A = status.
do:	ld (command),a
	ld b,12
do1:	djnz do1
do2:	ld a,(drive)
	ld (select),a
	ld a,(command)
	bit 0,a
	jr nz,do2
	ld (status),a
	ret

home:	ld a,3
	jp do

; seek: to the current track.
seek:	ld a,(current)
	ld (rdata),a
	ld a,13h
	jp do

; sector: the data of sector A is at DE; the register is set, HL = status.
sector:	ld (rsector),a
	add a,track/256
	ld d,a
	ld e,0
	ld hl,command
	ld b,0
	ret

; write: sector A; C = 4: let the head settle first. Zero flag set: no error. The flags of the block choose the data
; mark: FB, with bit 6 FA, with bit 7 F8.
write:	call sector
	ld a,(bflags)
	rlca
	rlca
	and 3			; bit 1: F8, bit 0: FA
	cp 2
	jr c,mark
	ld a,3
mark:	or 0a8h
	or c
	ld (hl),a
	ld a,9
write0:	dec a
	jr nz,write0
write1:	bit 1,(hl)
	jr z,write2
	ld a,(de)
	ld (rdata),a
	inc de
	djnz write1
write3:	bit 0,(hl)
	jr nz,write3
	jr ended
write2:	bit 0,(hl)
	jr nz,write1
ended:	ld a,(hl)
	ld (status),a
	and 0dch
	ret

; compare: sector A on the disk with the track. Zero flag set: the same.
compare:
	call sector
	ld c,0
	ld (hl),88h
	ld a,9
comp0:	dec a
	jr nz,comp0
comp1:	bit 1,(hl)
	jr z,comp2
	ld a,(rdata)
	ex de,hl
	xor (hl)
	inc hl
	ex de,hl
	or c
	ld c,a
	djnz comp1
comp3:	bit 0,(hl)
	jr nz,comp3
	ld a,(hl)
	and 9ch			; bits 5 and 6 tell the data mark
	ld (status),a
	or c
	ret
comp2:	bit 0,(hl)
	jr nz,comp1
	ld a,(hl)
	and 9ch
	ld (status),a
	or 1			; it ended too soon
	ret

; format: writes the current track's gaps, identifiers and empty data fields. The pairs (how many, which byte) are made
; in the group, which is no longer needed.
format:	ld hl,group
	ld (hl),16
	inc hl
	ld (hl),0ffh
	inc hl
	ld de,order
	ld b,10
form1:	push bc
	push de
	ld a,(de)
	ld (secnum),a
	ld a,(current)
	ld (tracknum),a
	ex de,hl
	ld hl,pairs
	ld bc,pairsend-pairs
	ldir
	ex de,hl
	pop de
	pop bc
	inc de
	djnz form1
	ld (hl),0		; fill to the index
	inc hl
	ld (hl),0ffh
	inc hl
	ld (hl),0
	inc hl
	ld (hl),0ffh
	ld hl,command
	ld de,group
	ld (hl),0f4h
	ld a,9
form2:	dec a
	jr nz,form2
form3:	ld a,(de)
	ld b,a
	inc de
	ld a,(de)
	ld c,a
	inc de
form4:	bit 1,(hl)
	jr z,form5
	ld a,c
	ld (rdata),a
	djnz form4
	jr form3
form5:	bit 0,(hl)
	jr nz,form4
	ld a,(hl)
	ld (status),a
	ret

pairs:	defb 6,0,1,0feh,1
tracknum:
	defb 0,1,0,1
secnum:	defb 0,1,1,1,0f7h,11,0ffh,6,0,1,0fbh,0,0e5h,1,0f7h,12,0ffh
pairsend:

; final: reads the whole disk once more and compares it with what the tape said.
final:	ld hl,checking
	call state
	xor a
final1:	ld (current),a
	call where
	call seek
	xor a
final2:	push af
	ld e,a
	ld d,0
	ld hl,order
	add hl,de
	ld a,(hl)
	call load
	pop bc
	jr nz,final4
	ld a,b
	inc a
	cp 10
	jr c,final2
	ld hl,track
	call crctrack
	ld a,(current)
	ld c,a
	ld b,0
	ld hl,sums
	add hl,bc
	add hl,bc
	ld a,(hl)
	inc hl
	ld h,(hl)
	ld l,a
	or a
	sbc hl,de
	jr nz,final4
final3:	ld a,(current)
	inc a
	ld hl,ntracks
	cp (hl)
	jr c,final1
	ld a,(left)
	or a
	jp nz,next
	call where
	ld hl,finished
	call state
	call anykey
	ld a,0
	out (port),a		; the tape may stop
	jp 0

final4:	ld a,(current)		; this track is wanted again
	ld c,a
	ld b,0
	ld hl,done
	add hl,bc
	ld (hl),0
	ld hl,left
	inc (hl)
	call show
	jr final3

; load: sector A to the track. Zero flag set: no error.
load:	call sector
	ld (hl),88h
	ld a,9
load0:	dec a
	jr nz,load0
load1:	bit 1,(hl)
	jr z,load2
	ld a,(rdata)
	ld (de),a
	inc de
	djnz load1
load3:	bit 0,(hl)
	jr nz,load3
	ld a,(hl)
	and 9ch			; bits 5 and 6 tell the data mark
	ld (status),a
	ret
load2:	bit 0,(hl)
	jr nz,load1
	or 1
	ret

; ---- screen and keys -----------------------------------------------------------------------------------------------

cls:	ld hl,screen
	ld de,screen+1
	ld bc,3ffh
	ld (hl),20h
	ldir
	ret

; print: the text at DE to the screen at HL, up to a 0.
print:	ld a,(de)
	or a
	ret z
	ld (hl),a
	inc hl
	inc de
	jr print

; state: the text at HL to the state line.
state:	ex de,hl
	ld hl,screen+5*row
	ld b,60
state1:	ld (hl),20h
	inc hl
	djnz state1
	ld hl,screen+5*row
	jr print

; number: A as two digits at HL.
number:	ld b,2fh
num1:	inc b
	sub 10
	jr nc,num1
	ld (hl),b
	inc hl
	add a,3ah
	ld (hl),a
	inc hl
	ret

; where: the current track.
where:	ld hl,screen+4*row
	ld de,trackis
	call print
	ld a,(current)
	jr number

; show: what is left, what came again, and a ribbon of the tracks.
show:	ld hl,screen+7*row
	ld de,leftis
	call print
	ld a,(left)
	call number
	ld de,repis
	call print
	ld a,(repeats)
	call number
	ld hl,screen+9*row
	ld de,done
	ld a,(ntracks)
	ld b,a
show1:	ld a,(de)
	or a
	ld (hl),'.'
	jr z,show2
	ld (hl),'*'
show2:	inc hl
	inc de
	djnz show1
	ret

; keys: BREAK goes back to the question of the drive.
keys:	ld a,(3840h)
	bit 2,a
	ret z
	pop hl
	jp newdisk

; anykey: ENTER, pressed anew.
anykey:	ld a,(3840h)
	bit 0,a
	jr nz,anykey
any1:	ld a,(drive)
	ld (select),a
	ld a,(3840h)
	bit 0,a
	jr z,any1
	ret

; askdrive: which drive, and is it all right to erase its disk?
askdrive:
	ld hl,screen+2*row
	ld de,which
	call print
ask1:	ld a,(3810h)		; keys 0-7
	and 15
	jr z,ask1
	ld b,0
ask2:	rrca
	jr c,ask3
	inc b
	jr ask2
ask3:	ld a,b
	add a,30h
	ld (erasen),a
	ld a,1
	inc b
ask4:	dec b
	jr z,ask5
	add a,a
	jr ask4
ask5:	ld (drive),a
	ld (select),a
	ld hl,screen+2*row
	ld de,erase
	call print
ask6:	ld a,(drive)
	ld (select),a
	ld a,(3808h)		; Y
	bit 1,a
	jr nz,ask7
	ld a,(3802h)		; N
	bit 6,a
	jr z,ask6
	jr newline
ask7:	call home
	ld a,(status)
	ld hl,noready
	bit 7,a
	jr nz,ask8
	ld hl,isprotected
	bit 6,a
	jr nz,ask8
	call blank		; of the question only DRIVE n stays
	ld hl,screen+2*row
	ld de,erase
	ld b,7
ask9:	ld a,(de)
	ld (hl),a
	inc hl
	inc de
	djnz ask9
	ret
ask8:	call state
newline:
	call blank
	jr askdrive

blank:	ld hl,screen+2*row
	ld b,64
blank1:	ld (hl),20h
	inc hl
	djnz blank1
	ret

title:	defm "STARTER TAPE: A FIRST DISK FOR THIS MACHINE"
	defb 0
which:	defm "WHICH DRIVE? PRESS 0, 1, 2 OR 3"
	defb 0
erase:	defm "DRIVE "
erasen:	defm "0: ALL ON ITS DISK WILL BE LOST. Y = GO ON, N = NO"
	defb 0
waiting: defm "WAITING FOR THE TAPE. BREAK = STOP"
	defb 0
writing: defm "WRITING"
	defb 0
reading: defm "READING BACK"
	defb 0
checking: defm "CHECKING THE WHOLE DISK"
	defb 0
repeated: defm "NOT WHOLE. IT COMES AGAIN"
	defb 0
badspot: defm "THIS TRACK DOES NOT HOLD. PUT IN ANOTHER DISK, PRESS ENTER"
	defb 0
noready: defm "NO DISK, OR THE DOOR IS OPEN. PRESS ENTER"
	defb 0
isprotected: defm "THE DISK IS WRITE PROTECTED. PRESS ENTER"
	defb 0
finished: defm "DONE. STOP THE TAPE. ENTER = START FROM THE DISK"
	defb 0
rates:	defm "GOOD BY RATE 0-8: "
	defb 0
trackis: defm "TRACK "
	defb 0
leftis:	defm "LEFT "
	defb 0
repis:	defm "  REPEATED "
	defb 0

tracks:	equ 80
disk:	defb 0
drive:	defb 1
current: defb 0ffh
left:	defb 40
got:	defb 0
nlost:	defb 0
column:	defb 0
rownow:	defb 0
factor:	defb 0
tries:	defb 0
status:	defb 0
repeats: defb 0
endofall:
