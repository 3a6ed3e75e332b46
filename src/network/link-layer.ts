// Link layers of capture files: how many bytes stand before the IP packet. The numbers are the LINKTYPE_ values that pcap and
// pcapng share; the headers are those of IEEE 802.3 and 802.1Q and, for the others, common practice.

/** Link types by agreement between the people concerned: the packet is the payload, as it is. */
const USER0 = 147;
const USER15 = 162;

const ETHERTYPE_IPV4 = 0x0800;
const ETHERTYPE_IPV6 = 0x86dd;
/** Tags of 4 bytes before the EtherType: 802.1Q, 802.1ad, and what was used before that. */
const VLAN_TAGS: readonly number[] = [0x8100, 0x88a8, 0x9100];
const MAX_VLAN_TAGS = 4;
/** Address families of IPv4 (everywhere) and IPv6 (by operating system). */
const FAMILIES: readonly number[] = [2, 10, 24, 28, 30];

/** The number n of a link type USERn; -1 for every other one. */
export function userLink(linkType: number): number {
  return linkType >= USER0 && linkType <= USER15 ? linkType - USER0 : -1;
}

/**
 * Index of the first byte of the IP packet in the packet `bytes[start, end)` of a capture; -1 where it holds none, or where its
 * link type is not one of Ethernet (1), raw IP (12, 14, 101, 228, 229), null (0), loopback (108), Linux cooked v1 (113), v2 (276).
 */
export function ipPacketAt(linkType: number, bytes: Uint8Array, start: number, end: number): number {
  switch (linkType) {
    case 1:
      return behindEtherType(bytes, start + 12, start + 14, end);
    case 12:
    case 14:
    case 101:
    case 228:
    case 229:
      return orNone(start, end);
    case 0:
    case 108: {
      // Null has the capturing machine's byte order, loopback the network's: the three zero bytes tell.
      if (start + 4 > end || bytes[start + 1] !== 0 || bytes[start + 2] !== 0) return -1;
      const family = bytes[start]! | bytes[start + 3]!;
      return FAMILIES.includes(family) ? orNone(start + 4, end) : -1;
    }
    case 113:
      return behindEtherType(bytes, start + 14, start + 16, end);
    case 276:
      return behindEtherType(bytes, start, start + 20, end);
    default:
      return -1;
  }
}

/** What follows the header whose EtherType stands at `type` and whose end is `next`, VLAN tags passed over. */
function behindEtherType(bytes: Uint8Array, type: number, next: number, end: number): number {
  let found = type;
  let payload = next;
  for (let tags = 0; payload < end; tags++) {
    const etherType = (bytes[found]! << 8) | bytes[found + 1]!;
    if (etherType === ETHERTYPE_IPV4 || etherType === ETHERTYPE_IPV6) return payload;
    if (tags === MAX_VLAN_TAGS || !VLAN_TAGS.includes(etherType) || payload + 4 > end) return -1;
    found = payload + 2;
    payload += 4;
  }
  return -1;
}

const orNone = (at: number, end: number): number => (at < end ? at : -1);
