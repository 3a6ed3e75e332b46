// How much of a layer is damaged or lost, by its own counts: counters where the layer has them, else its checks.
import type { LayerCounts } from '../layers/layer.js';

export type ErrorRate = { readonly bad: number; readonly of: number; readonly what: string };

type Options = Readonly<Record<string, unknown>>;
type Rate = (counts: LayerCounts, options: Options) => ErrorRate;

const sum = (counts: LayerCounts, ...names: string[]): number =>
  names.reduce((total, name) => total + (counts[name] ?? 0), 0);

const RATES: Readonly<Record<string, Rate>> = {
  'dvb-s2': (counts) => ({
    bad: sum(counts, 'headersDamaged', 'cut'),
    of: sum(counts, 'frames', 'headersDamaged'),
    what: 'baseband frames cut or with a damaged header',
  }),
  ts: (counts, { pid }) => ({
    bad: sum(counts, 'packetsLost'),
    of: sum(counts, 'packetsLost', `PID ${String(pid)}`),
    what: 'packets lost by the continuity counter',
  }),
  cadu: (counts) => ({
    bad: sum(counts, 'unproven'),
    of: sum(counts, 'frames'),
    what: 'frames not proven by their check',
  }),
  tm: (counts, { vcid }) => byFrameCount(counts, vcid),
  aos: (counts, { vcid }) => byFrameCount(counts, vcid),
  gse: (counts) => {
    const bad = sum(
      counts,
      'crc32Wrong',
      'totalLengthWrong',
      'malformed',
      'cut',
      'fragmentsWithoutStart',
      'replaced',
      'timedOut',
    );
    return { bad, of: bad + sum(counts, 'pdus'), what: 'packets or PDUs damaged or incomplete' };
  },
  udp: (counts) => ({
    bad: sum(counts, 'headersDamaged', 'cut', 'udpChecksumsWrong'),
    of: sum(counts, 'packets'),
    what: 'datagrams damaged',
  }),
  packets: (counts, { apid }) => ({
    bad: sum(counts, 'lost'),
    of: sum(counts, 'lost', `APID ${String(apid)}`),
    what: 'packets lost by the sequence count',
  }),
  cfdp: (counts) => ({
    bad: sum(counts, 'damaged'),
    of: sum(counts, 'damaged', 'File Data', 'Metadata', 'EOF', 'Finished', 'ACK', 'NAK', 'Prompt', 'Keep Alive'),
    what: 'PDUs damaged',
  }),
  frame: (counts) => ({
    bad: sum(counts, 'damaged'),
    of: sum(counts, 'intact', 'damaged'),
    what: 'frames fail their CRC',
  }),
};

function byFrameCount(counts: LayerCounts, vcid: unknown): ErrorRate {
  const own = sum(counts, `virtual channel ${String(vcid)}`);
  return { bad: sum(counts, 'lost'), of: own + sum(counts, 'lost'), what: 'frames lost by the frame count' };
}

/** `undefined` where the layer counts nothing of the kind, or nothing came. */
export function errorRate(layer: string, counts: LayerCounts, options: Options = {}): ErrorRate | undefined {
  const rate = RATES[layer]?.(counts, options);
  return rate && rate.of > 0 ? rate : undefined;
}
