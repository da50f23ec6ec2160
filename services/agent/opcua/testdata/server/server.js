// A server with one press, for tests: prints one JSON line when it serves, then
// sets what it reads from stdin ({"set": {NAME: VALUE}} or {"bad": NAME}).
// Arguments: PORT PKI-DIRECTORY.
const readline = require('node:readline')
const { OPCUAServer } = require('node-opcua-server')
const { DataType, Variant } = require('node-opcua-variant')
const { StatusCodes } = require('node-opcua-status-code')
const { SecurityPolicy, MessageSecurityMode } = require('node-opcua-secure-channel')
const { OPCUACertificateManager } = require('node-opcua-certificate-manager')

const types = { Speed: DataType.Double, Good: DataType.UInt32, Waste: DataType.UInt16, State: DataType.Int32, GoodOn: DataType.Boolean, Job: DataType.String }
const first = { Speed: 80.5, Good: 4294967280, Waste: 3, State: 4, GoodOn: true, Job: 'J-1' }

async function main () {
  const [port, pki] = [Number(process.argv[2]), process.argv[3]]
  const certificates = new OPCUACertificateManager({ rootFolder: pki, automaticallyAcceptUnknownCertificate: true })
  await certificates.initialize()
  const server = new OPCUAServer({
    port,
    hostname: '127.0.0.1',
    alternateHostname: ['127.0.0.1'],
    resourcePath: '/press',
    serverCertificateManager: certificates,
    userCertificateManager: certificates,
    securityPolicies: [SecurityPolicy.None, SecurityPolicy.Basic256Sha256, SecurityPolicy.Aes128_Sha256_RsaOaep, SecurityPolicy.Aes256_Sha256_RsaPss],
    securityModes: [MessageSecurityMode.None, MessageSecurityMode.Sign, MessageSecurityMode.SignAndEncrypt],
    allowAnonymous: true,
    userManager: { isValidUser: (name, password) => name === 'agent' && password === 'let me in' },
    buildInfo: { productName: 'press', buildNumber: '1', buildDate: new Date(0) }
  })
  await server.initialize()
  const space = server.engine.addressSpace
  space.registerNamespace('http://example.org/spare/')
  const ns = space.registerNamespace('http://example.org/press/')
  const press = ns.addObject({ organizedBy: space.rootFolder.objects, browseName: 'Press' })
  const nodes = {}
  for (const name of Object.keys(types)) {
    nodes[name] = ns.addVariable({ componentOf: press, browseName: name, nodeId: 's=Press.' + name, dataType: types[name] })
    nodes[name].setValueFromSource(new Variant({ dataType: types[name], value: first[name] }))
  }
  await server.start()
  readline.createInterface({ input: process.stdin }).on('line', (line) => {
    const { set = {}, bad } = JSON.parse(line)
    for (const [name, value] of Object.entries(set)) nodes[name].setValueFromSource(new Variant({ dataType: types[name], value }))
    if (bad) nodes[bad].setValueFromSource(new Variant({ dataType: types[bad], value: first[bad] }), StatusCodes.BadSensorFailure)
  }).on('close', () => process.exit(0))
  console.log(JSON.stringify({ endpoint: `opc.tcp://127.0.0.1:${port}/press`, certificate: server.certificateFile }))
}

main().catch((e) => { console.error(e); process.exit(1) })
