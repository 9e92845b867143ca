/** A TCP link to a broker that can be cut, frozen, delayed or closed for new connections. What passes is counted. */
import { connect, type Socket } from 'node:net'
import { listenOnLoopback, type Listener } from '../../agent/hardware/tcp-listener.js'

export interface FaultyLink {
  readonly port: number
  /** Connections that came in so far. */
  readonly connections: number
  /** Resets every connection that stands now; new ones go through. */
  cut(): void
  /** Sockets stay open, nothing is forwarded in either direction, until `thaw`. */
  freeze(): void
  thaw(): void
  /** As `freeze`, but new connections go through: the old route is gone. */
  freezeStanding(): void
  /** Bytes that came in from either side. */
  readonly bytes: number
  close(): Promise<void>
}

/** @param delayMillis that each piece takes, in either direction: half a round trip */
export async function faultyLink(toPort: number, delayMillis = 0): Promise<FaultyLink> {
  const pairs = new Set<[Socket, Socket]>()
  let frozen = false
  let connections = 0
  let bytes = 0
  const count = (n: number): void => void (bytes += n)
  const setFlow = ([near, far]: [Socket, Socket]): void => {
    for (const socket of [near, far]) {
      if (frozen) socket.pause()
      else socket.resume()
    }
  }
  const listener: Listener = await listenOnLoopback((near) => {
    connections++
    const far = connect(toPort, '127.0.0.1')
    const pair: [Socket, Socket] = [near, far]
    pairs.add(pair)
    forward(near, far, delayMillis, count, () => pairs.delete(pair))
    forward(far, near, delayMillis, count, () => pairs.delete(pair))
    setFlow(pair)
  })
  return {
    port: listener.port,
    get connections() {
      return connections
    },
    get bytes() {
      return bytes
    },
    cut: () => {
      for (const pair of pairs) for (const socket of pair) socket.resetAndDestroy()
    },
    freeze: () => {
      frozen = true
      pairs.forEach(setFlow)
    },
    freezeStanding: () => {
      for (const pair of pairs) for (const socket of pair) socket.pause()
    },
    thaw: () => {
      frozen = false
      pairs.forEach(setFlow)
    },
    close: async () => {
      for (const pair of pairs) for (const socket of pair) socket.destroy()
      await listener.close()
    },
  }
}

function forward(
  from: Socket,
  to: Socket,
  delayMillis: number,
  count: (bytes: number) => void,
  over: () => void,
): void {
  from.on('data', (bytes) => {
    count(bytes.length)
    if (delayMillis === 0) to.write(bytes)
    else setTimeout(() => to.destroyed || to.write(bytes), delayMillis)
  })
  from.on('error', () => undefined)
  from.on('close', () => {
    over()
    to.destroy()
  })
}
