// IP and UDP inside GSE, MPE and ULE (RFC 791, RFC 8200, RFC 768): proven by lengths and checksums.
import { countsLike, type Finding, MAX_SIBLINGS, outOf } from './finding.js';
import { readLayer, type Tape } from './tape.js';

/** Whether an EtherType, written as the layers count it, is IPv4 or IPv6. */
export const isIp = (type: string): boolean => type === '0x0800' || type === '0x86dd';

export function probeUdp(tape: Tape): Finding[] {
  const { counts } = readLayer(tape, 'udp');
  const { packets = 0, headersDamaged = 0, cut = 0, udpChecksumsWrong = 0, headerChecksumsWrong = 0 } = counts;
  const destinations = countsLike(counts, /^UDP ((?:\[[0-9a-f:.]+\]|[0-9.]+):\d+)$/);
  const datagrams = destinations.reduce((sum, { times }) => sum + times, 0);
  const wrong = headersDamaged + cut + Math.max(udpChecksumsWrong, headerChecksumsWrong);
  if (datagrams < 2 || wrong > 0.5 * packets) return [];
  const total = tape.data.length;
  return destinations.slice(0, MAX_SIBLINGS).map(({ key, times }): Finding => {
    const colon = key.lastIndexOf(':');
    const port = Number(key.slice(colon + 1));
    const address = key.slice(0, colon).replace(/^\[|\]$/g, '');
    const isShared = destinations.some((other) => other.key !== key && other.key.endsWith(`:${port}`));
    // Port 0 is reserved and no option: any port is then taken.
    const options = { ...(port > 0 && { port }), ...((isShared || port === 0) && { address }) };
    const own = readLayer(tape, 'udp', options);
    return {
      layer: 'udp',
      options,
      proof: `${times} datagrams to ${key}, lengths right, ${outOf(datagrams - Math.min(datagrams, udpChecksumsWrong), datagrams)} checksums of all`,
      counts: own.counts,
      explained: Math.round((total * times) / Math.max(datagrams, packets)),
      level: 'bytes',
      tape: own.tape,
    };
  });
}
