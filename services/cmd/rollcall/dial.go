package main

import (
	"context"
	"errors"
	"fmt"
	"os"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	"rollcall/services/access"
	"rollcall/services/reader"
)

// dialFlags binds the flags that say where the service is and who asks, and
// returns what connects.
func dialFlags(root *cobra.Command) reader.Dial {
	fs := root.PersistentFlags()
	server := fs.String("server", envOr("ROLLCALL_SERVER", "127.0.0.1:7443"), "host:port of the service's gRPC, for the commands that ask it")
	cert := fs.String("cert-file", os.Getenv("ROLLCALL_CERT_FILE"), "your certificate, PEM; none: no TLS, this machine only")
	key := fs.String("key-file", os.Getenv("ROLLCALL_KEY_FILE"), "its private key, PEM")
	ca := fs.String("ca-file", os.Getenv("ROLLCALL_CA_FILE"), "authority of the service's certificate, PEM")
	return func(context.Context) (grpc.ClientConnInterface, error) {
		creds := insecure.NewCredentials()
		switch {
		case *cert != "" && *key != "" && *ca != "":
			config, err := access.ClientTLS(*cert, *key, *ca)
			if err != nil {
				return nil, err
			}
			creds = credentials.NewTLS(config)
		case *cert+*key+*ca != "":
			return nil, usageError{errors.New("give --cert-file, --key-file and --ca-file together, or none of them")}
		case !access.IsLoopback(*server):
			return nil, usageError{fmt.Errorf("%s is another machine; give your certificate with --cert-file, --key-file and --ca-file", *server)}
		}
		conn, err := grpc.NewClient(*server, grpc.WithTransportCredentials(creds), grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
		if err != nil {
			return nil, usageError{fmt.Errorf("dial %s: %w", *server, err)}
		}
		return conn, nil
	}
}

func envOr(name, otherwise string) string {
	if v, ok := os.LookupEnv(name); ok {
		return v
	}
	return otherwise
}
