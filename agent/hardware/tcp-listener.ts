import { createServer, type AddressInfo, type Socket } from 'node:net'

export interface Listener {
  readonly port: number
  /** Ends all its connections; resolves when the port is free. */
  close(): Promise<void>
}

/** Listens on the loopback address only; port 0 takes a free one. */
export async function listenOnLoopback(onConnection: (socket: Socket) => void, port = 0): Promise<Listener> {
  const open = new Set<Socket>()
  const server = createServer((socket) => {
    open.add(socket)
    socket.on('close', () => open.delete(socket))
    socket.on('error', () => undefined)
    onConnection(socket)
  })
  await new Promise<void>((resolve, reject) => {
    server.once('error', reject)
    server.listen(port, '127.0.0.1', resolve)
  })
  return {
    port: (server.address() as AddressInfo).port,
    close: () =>
      new Promise((resolve) => {
        for (const socket of open) socket.destroy()
        server.close(() => resolve())
      }),
  }
}
