// The CRCs met in spacecraft and broadcast links, by the names of the usual parametrised-CRC catalogue.
// CRC-8/DVB-S2 is that of EN 302 307-1, 5.1.4, and CRC-32/ISO-HDLC that of RFC 1952; which standard uses which of the others is
// common practice. All parameters were checked against a bitwise script and crcmod over "123456789" (test/vectors/crc.json).

/** A CRC in the parameters of the usual catalogue; `reflected` stands for refin = refout. */
export type CrcParameters = {
  readonly name: string;
  /** 8, 16, 24 or 32. */
  readonly width: number;
  readonly poly: number;
  readonly init: number;
  readonly reflected: boolean;
  readonly xorout: number;
};

export type CrcName =
  | 'CRC-8/DVB-S2'
  | 'CRC-16/IBM-3740'
  | 'CRC-16/XMODEM'
  | 'CRC-16/GENIBUS'
  | 'CRC-16/KERMIT'
  | 'CRC-16/IBM-SDLC'
  | 'CRC-24/OPENPGP'
  | 'CRC-32/MPEG-2'
  | 'CRC-32/ISO-HDLC'
  | 'CRC-32/BZIP2'
  | 'CRC-32/ISCSI'
  | 'CRC-32/PROXIMITY-1';

const row = (
  width: number,
  poly: number,
  init: number,
  reflected: boolean,
  xorout: number,
): Omit<CrcParameters, 'name'> => ({
  width,
  poly,
  init,
  reflected,
  xorout,
});

const rows: Readonly<Record<CrcName, Omit<CrcParameters, 'name'>>> = {
  'CRC-8/DVB-S2': row(8, 0xd5, 0, false, 0), // baseband headers and user packets
  'CRC-16/IBM-3740': row(16, 0x1021, 0xffff, false, 0), // transfer frames; also called CCITT-FALSE
  'CRC-16/XMODEM': row(16, 0x1021, 0, false, 0),
  'CRC-16/GENIBUS': row(16, 0x1021, 0xffff, false, 0xffff),
  'CRC-16/KERMIT': row(16, 0x1021, 0, true, 0),
  'CRC-16/IBM-SDLC': row(16, 0x1021, 0xffff, true, 0xffff), // HDLC and AX.25; also called X.25
  'CRC-24/OPENPGP': row(24, 0x864cfb, 0xb704ce, false, 0),
  'CRC-32/MPEG-2': row(32, 0x04c11db7, 0xffffffff, false, 0), // MPEG-2 sections, GSE
  'CRC-32/ISO-HDLC': row(32, 0x04c11db7, 0xffffffff, true, 0xffffffff), // gzip, zip, PNG, Ethernet
  'CRC-32/BZIP2': row(32, 0x04c11db7, 0xffffffff, false, 0xffffffff),
  'CRC-32/ISCSI': row(32, 0x1edc6f41, 0xffffffff, true, 0xffffffff), // also called CRC-32C
  'CRC-32/PROXIMITY-1': row(32, 0x00a00805, 0, false, 0),
};

/** Every known CRC by its catalogue name. */
export const CRC_CATALOGUE: Readonly<Record<CrcName, CrcParameters>> = Object.fromEntries(
  Object.entries(rows).map(([name, parameters]) => [name, { name, ...parameters }]),
) as Record<CrcName, CrcParameters>;

/** The names of `CRC_CATALOGUE`, narrow CRCs first. */
export const CRC_NAMES: readonly CrcName[] = Object.keys(rows) as CrcName[];
